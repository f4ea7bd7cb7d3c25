// The plots of a proof: responses, thresholds, recordings.

(() => {
  const {data, INK, QUIET, LINE, SUM, style, fixed, plain, figure, hertz, clock, plot, axis, logarithmic, finite, curve, wrap, wrapped,
         phaseAxis, done} = plotting;

  // ---- response ----------------------------------------------------------------------------------------------------

  data.responses.forEach(({frequency, curves, points, least, most}, number) => {
    const place = (name) => (number ? `${name}-${number + 1}` : name);

    // `among`: which of a curve's places are drawn.
    function curveSets(pick, among, more = {}) {
      let ways = 0;
      return curves.map((one) => {
        const sum = one.name === 'sum', own = sum ? SUM : style(ways++);
        return curve(one.name, own, frequency, pick(one).map((y, n) => (among(one, n) ? y : null)), ways,
                     sum ? {borderWidth: 3, order: 0, ...more} : more);
      });
    }
    if (frequency.length && curves.length) {
      const own = (say) => ({group: place('response'), xs: frequency, points, say, place: (n) => hertz(frequency[n])});
      const loudest = new Map(curves.map((one) => [one, Math.max(...finite(one.magnitude))]));
      const loud = (one, n) => one.magnitude[n] !== null && one.magnitude[n] > loudest.get(one) - 40;

      const sets = curveSets((one) => one.magnitude, () => true);
      if (least.length) {
        const edge = {pointRadius: 0, pointStyle: false, borderWidth: 0, borderColor: QUIET, borderDash: [], order: 5,
                      backgroundColor: '#9aa5ac80', area: true};
        const n = sets.length;
        sets.push({...edge, label: 'sum at most', legend: 'sum, warm or cold, drivers apart', fill: '+1', data: most.map((y, m) => ({x: frequency[m], y}))},
                  {...edge, label: 'sum at least', partner: n, data: least.map((y, m) => ({x: frequency[m], y}))});
      }
      const top = Math.ceil((Math.max(...loudest.values(), ...finite(most)) + 2) / 6) * 6;
      plot(place('magnitude'), own((y) => `${fixed(y, 1)} dB`), sets,
           {x: logarithmic(frequency), y: axis('level, dB', {min: top - 54, max: top, ticks: {stepSize: 6}})});

      plot(place('phase'), own((y) => `${fixed(y, 0)}°`), curveSets((one) => one.phase.map(wrap), loud, wrapped),
           {x: logarithmic(frequency), y: phaseAxis()});

      plot(place('delay'), own((y) => `${fixed(y, 2)} ms`), curveSets((one) => one.delay, loud),
           {x: logarithmic(frequency), y: axis('group delay, ms')});
    }
  });

  // ---- thresholds --------------------------------------------------------------------------------------------------

  if (data.ladders.length) {
    const kinds = new Map(data.rungs.map((kind) => [kind.name, kind]));
    const all = data.ladders.flatMap((ladder) => ladder.rungs.map((rung) => rung.volts_peak)).filter((volts) => volts > 0);
    // A kind has its colour and shape by its place among all kinds, whichever of them this rig has.
    const sets = data.rungs.map(({name, place, rms}) => {
      const bar = name === 'limit', own = bar ? {colour: '#000000', shape: 'line'} : style(place < 3 ? place : place - 1);
      return {
        label: name, legend: rms ? `${name}, RMS at its sine\u2019s peak` : name,
        showLine: false, borderColor: own.colour, backgroundColor: own.colour, borderDash: [],
        pointStyle: own.shape, pointRadius: bar ? 17 : 6, pointHoverRadius: bar ? 19 : 8, pointBorderWidth: bar ? 5 : 2,
        pointHoverBorderWidth: bar ? 5 : 2, order: bar ? 0 : 1,
        data: data.ladders.map((ladder, x) => {
          const rung = ladder.rungs.find((one) => one.name === name);
          return {x, y: rung && rung.volts_peak > 0 ? rung.volts_peak : null};
        }),
      };
    });
    const said = (volts, name) => (kinds.get(name).rms ? `${figure(volts / Math.SQRT2)} V RMS (a sine of ${figure(volts)} V peak)`
                                                       : `${figure(volts)} V peak`);
    const outputs = data.ladders.map((ladder) => ladder.output);
    // A ladder's rail, from its lowest rung to its highest.
    const rails = ({ctx, scales}) => {
      ctx.strokeStyle = LINE;
      ctx.lineWidth = 3;
      data.ladders.forEach((ladder, n) => {
        const x = scales.x.getPixelForValue(n);
        const volts = ladder.rungs.map((rung) => rung.volts_peak).filter((value) => value > 0);
        if (!volts.length) return;
        ctx.beginPath();
        ctx.moveTo(x, scales.y.getPixelForValue(Math.min(...volts)));
        ctx.lineTo(x, scales.y.getPixelForValue(Math.max(...volts)));
        ctx.stroke();
      });
      ctx.lineWidth = 1;
    };
    plot('volts', {
      group: 'volts', labels: outputs, xs: outputs.map((_, n) => n), under: rails, place: (n) => outputs[n],
      say: said,
    }, sets, {
      x: {type: 'category', offset: true, grid: {display: false}, ticks: {
        autoSkip: false, maxRotation: 60, callback: (n) => (outputs[n].length > 16 ? outputs[n].slice(0, 15) + '\u2026' : outputs[n]),
      }},
      y: axis('volts, peak', {
        type: 'logarithmic',
        min: Math.min(...all) / 1.3,
        max: Math.max(...all) * 1.3,
        afterBuildTicks(scale) {
          scale.ticks = [];
          for (let decade = 0.01; decade < 1e5; decade *= 10)
            for (const step of [1, 2, 3, 5, 7])
              if (step * decade >= scale.min && step * decade <= scale.max) scale.ticks.push({value: +(step * decade).toPrecision(2)});
        },
        ticks: {autoSkip: true},
      }),
    });
  }

  // ---- recordings --------------------------------------------------------------------------------------------------

  data.recordings.forEach(({bucket, tracks}, r) => tracks.forEach((track, t) => {
    const xs = track.greatest.map((_, n) => (n + 0.5) * bucket), end = xs.length * bucket;
    const over = (ys, more) => ({
      pointRadius: 0, pointStyle: false, borderDash: [], borderWidth: 1, data: ys.map((y, n) => ({x: xs[n], y})), ...more});
    const level = {borderColor: '#0072b2', backgroundColor: '#0072b266', yAxisID: 'y'};
    const sets = [
      over(track.greatest, {...level, label: 'greatest', legend: 'level', fill: '+1', area: true}),
      over(track.least, {...level, label: 'least', partner: 0}),
      over(track.peak_gain, {label: 'peak limiter', borderColor: '#d55e00', borderWidth: 2, yAxisID: 'gain', stepped: 'middle'}),
      over(track.power_gain, {label: 'power limiter', borderColor: '#009e73', borderWidth: 2, borderDash: [5, 3], yAxisID: 'gain'}),
      {
        label: 'limits here', silent: true, showLine: false, borderDash: [], borderColor: INK, backgroundColor: INK,
        pointStyle: 'triangle', pointRadius: 5, rotation: 0, yAxisID: 'gain',
        data: track.moments.map(([x, y]) => ({x, y})),
      },
    ];
    if (track.limit !== null)
      for (const side of [1, -1])
        sets.push({
          label: 'limit', silent: true, ...(side > 0 ? {} : {partner: 5}), borderColor: INK, borderDash: [7, 4], borderWidth: 1.5,
          pointRadius: 0, pointStyle: false, yAxisID: 'y', data: [{x: 0, y: side * track.limit}, {x: end, y: side * track.limit}],
        });
    const top = 1.3 * Math.max(track.limit ?? 0, ...finite([track.greatest]), ...finite([track.least]).map((y) => -y), 0.01);
    const depth = Math.min(-3, ...finite([track.peak_gain]), ...finite([track.power_gain]), ...track.moments.map(([, y]) => y));
    const round = (step) => Math.floor(depth * 1.1 / step) * step;
    plot(`track ${r} ${t}`, {
      group: `recording ${r}`, xs, place: (n) => clock(xs[n]),
      say: (y, label) => (label.endsWith('limiter') ? `${fixed(y, 1)} dB` : `${figure(y)} V peak`),
    }, sets, {
      x: axis('time, minutes and seconds', {type: 'linear', min: 0, max: end, ticks: {
        stepSize: [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800].find((step) => step * 7 >= end) ?? 3600,
        includeBounds: false,
        callback: (s) => clock(s).replace(/\.?0+$/, (zeros) => (zeros.startsWith('.') ? '' : zeros)),
      }}),
      gain: axis('gain, dB', {axis: 'y', stack: 'plot', stackWeight: 1, min: round(3), max: 0, ticks: {maxTicksLimit: 4}}),
      y: axis('volts, peak', {stack: 'plot', stackWeight: 2, min: -top, max: top,
                              // The lowest would lie on the 0 of the gain below.
                              ticks: {maxTicksLimit: 7, includeBounds: false, callback: (at) => (at < -0.65 * top ? '' : plain(at))}}),
    });
  }));

  done();
})();
