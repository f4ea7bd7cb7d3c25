// The plots of a comparison: two rigs' levels over one another, and below them the difference.

(() => {
  const {data, SUM, style, fixed, plain, hertz, plot, axis, logarithmic, finite, curve, done} = plotting;
  const {frequency, names} = data;

  for (const {plot: name, unit, a, b, difference} of data.plots) {
    const own = {group: 'response', xs: frequency, place: (n) => hertz(frequency[n]), say: (y) => `${fixed(y, 1)} dB`};
    const both = [['a', a, 0], ['b', b, 1]].filter(([, row]) => row !== null).map(([label, row, n]) =>
      curve(label, style(n), frequency, row, n, {legend: `${label}: ${names[label]}`, yAxisID: 'y', borderWidth: n ? 2 : 2.5}));
    const scales = {x: logarithmic(frequency)};
    if (difference !== null) {
      both.push(curve('b less a', SUM, frequency, difference, 2, {yAxisID: 'apart', borderWidth: 1.5}));
      const most = Math.max(0.5, ...finite([difference]).map(Math.abs));
      const end = [1, 2, 3, 6, 12, 24].find((step) => step >= most) ?? 24;
      scales.apart = axis('b less a, dB', {axis: 'y', stack: 'plot', stackWeight: 1, min: -end, max: end, ticks: {stepSize: end, padding: 2}});
    }
    const top = Math.ceil((Math.max(...finite([a ?? [], b ?? []]), -200) + 1) / 6) * 6;
    scales.y = axis(unit, {stack: 'plot', stackWeight: 2, min: top - 54, max: top, ticks: {
      stepSize: 12, includeBounds: false,
      callback: (db) => (db < top - 42 ? '' : plain(db)),  // the lowest would lie on the highest of the difference below
    }});
    plot(name, own, both, scales);
  }

  done();
})();
