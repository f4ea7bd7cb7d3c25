// The plots of a measurement: level, phase, group delay, coherence.

(() => {
  const {data, INK, QUIET, SUM, style, fixed, hertz, plot, axis, logarithmic, finite, curve, wrap, wrapped, phaseAxis, done} = plotting;
  const {frequency, captures, doubtful, trusted} = data;
  const name = captures.length ? 'average' : 'captured';
  const crowd = captures.length > 8;  // more than a read-out can say: one button for all of them

  // Where coherence is too low: slanted lines, which grey paper shows as well.
  const hatch = ({ctx, scales: {x}, chartArea: {left, right, top, bottom}}) => {
    for (const [from, to] of doubtful) {
      const begin = Math.max(left, x.getPixelForValue(from)), end = Math.min(right, x.getPixelForValue(to));
      ctx.save();
      ctx.beginPath();
      ctx.rect(begin, top, Math.max(2, end - begin), bottom - top);
      ctx.clip();
      ctx.strokeStyle = '#b9c2c7';
      ctx.beginPath();
      for (let at = left - (bottom - top); at < end; at += 9) {
        ctx.moveTo(at, bottom);
        ctx.lineTo(at + bottom - top, top);
      }
      ctx.stroke();
      ctx.restore();
    }
  };
  const own = (say) => ({group: 'response', xs: frequency, say, under: hatch, place: (n) => hertz(frequency[n])});
  const mean = (ys, more) => curve(name, SUM, frequency, ys, 0, {borderWidth: 2.5, order: 0, ...more});
  const each = (pick) => captures.map((one, n) => {
    if (!crowd) return curve(one.name, style(n), frequency, one[pick], n, {borderWidth: 1, order: 2});
    const more = n > 0 ? {partner: 1} : {legend: 'each capture'};
    return curve(one.name, {colour: QUIET, dash: [], shape: null}, frequency, one[pick], n, {borderWidth: 0.7, order: 2, silent: true, ...more});
  });

  // The axis shows what can be trusted; what lies lower leaves the plot.
  const clear = frequency.map((hz) => !doubtful.some(([from, to]) => hz >= from && hz <= to));
  const rows = [data.magnitude, ...captures.map((one) => one.magnitude)];
  const levels = clear.includes(true) ? rows.map((row) => row.filter((_, n) => clear[n])) : rows;
  const top = Math.ceil((Math.max(...finite(rows)) + 1) / 6) * 6;
  const bottom = Math.max(top - 72, Math.min(top - 30, Math.floor((Math.min(...finite(levels)) - 1) / 6) * 6));
  const edge = {pointRadius: 0, pointStyle: false, borderWidth: 0, borderColor: QUIET, borderDash: [], order: 5,
                backgroundColor: '#9aa5ac80', area: true, silent: true};
  const off = (sign) => data.magnitude.map((y, n) => ({x: frequency[n], y: y === null ? null : y + sign * data.error[n]}));
  const band = !data.error.length ? [] : [
    {...edge, label: 'at most', legend: 'noise', fill: '+1', data: off(1)},
    {...edge, label: 'at least', partner: 1 + captures.length, data: off(-1)},
  ];
  plot('magnitude', own((y) => `${fixed(y, 1)} dB`), [mean(data.magnitude), ...each('magnitude'), ...band],
       {x: logarithmic(frequency), y: axis('level, dB', {min: bottom, max: top, ticks: {stepSize: 6}})});

  plot('phase', own((y) => `${fixed(y, 0)}°`), [mean(data.phase.map(wrap), wrapped)], {x: logarithmic(frequency), y: phaseAxis()});

  // But for the few that leap the furthest, at the ends of what can be told, all of it is in the plot.
  const delays = finite([data.delay]).sort((a, b) => a - b), few = Math.floor(delays.length / 50);
  const earliest = delays[few] ?? 0, latest = delays.at(-1 - few) ?? 0, room = Math.max(1, 0.1 * (latest - earliest));
  plot('delay', own((y) => `${fixed(y, 2)} ms`), [mean(data.delay)],
       {x: logarithmic(frequency), y: axis('group delay, ms', {min: earliest - room, max: latest + room, ticks: {includeBounds: false}})});

  const least = {
    label: 'least that is trusted', silent: true, borderColor: INK, backgroundColor: INK, borderDash: [7, 4], borderWidth: 1.5,
    pointRadius: 0, pointStyle: false, data: [frequency[0], frequency.at(-1)].map((x) => ({x, y: trusted})),
  };
  plot('coherence', own((y) => fixed(y, 2)), [mean(data.coherence), ...each('coherence'), least].map((set) => ({...set, clip: 4})),
       {x: logarithmic(frequency), y: axis('coherence', {min: 0, max: 1, ticks: {stepSize: 0.25}})});

  done();
})();
