// What the plots of every page share: the cursor that reads them out, curves, axes, legends.
//
// Each <figure data-plot="..."> holds a frame with a canvas. Pointer and arrow keys move one cursor, by index of x; the
// frame is a slider whose value text is the read-out, so that a screen reader says it too. Plots of one group move
// together.
//
// For checks from outside, `window.report` is {charts, cursor}: a Chart per plot by its data-plot, and cursor(plot,
// index), which returns the read-out. It is set when all plots are drawn: the page's own script says so by `done`.
'use strict';

const plotting = (() => {
  const data = JSON.parse(document.getElementById('report-data').textContent);
  const INK = '#1b2429', QUIET = '#56626a', LINE = '#dde2e5';

  // Colours that differ for every kind of colour vision (M. Okabe, K. Ito, "Color universal design", 2008), and dashes
  // and shapes, so that grey paper will do.
  const STYLES = [
    {colour: '#0072b2', dash: [], shape: 'circle'},
    {colour: '#d55e00', dash: [9, 4], shape: 'triangle'},
    {colour: '#009e73', dash: [3, 3], shape: 'rect'},
    {colour: '#cc79a7', dash: [12, 3, 3, 3], shape: 'rectRot'},
    {colour: '#56b4e9', dash: [6, 2], shape: 'star'},
    {colour: '#e69f00', dash: [2, 2], shape: 'crossRot'},
  ];
  const SUM = {colour: '#000000', dash: [], shape: null};
  // From the seventh on a colour comes back with other dashes and another shape.
  const style = (n) => {
    const {dash, shape} = STYLES[(n + Math.floor(n / STYLES.length)) % STYLES.length];
    return {colour: STYLES[n % STYLES.length].colour, dash, shape};
  };

  const minus = (text) => text.replace('-', '\u2212');
  const fixed = (value, digits) => minus((Object.is(Math.round(value * 10 ** digits), -0) ? 0 : value).toFixed(digits));
  const figure = (value) => fixed(value, Math.abs(value) >= 100 ? 0 : Math.abs(value) >= 10 ? 1 : 2);
  const hertz = (hz) => (hz < 1000 ? `${+hz.toPrecision(3)} Hz` : `${+(hz / 1000).toPrecision(3)} kHz`);
  const clock = (s) => {
    const hundredths = Math.round(s * 100);
    return `${Math.floor(hundredths / 6000)}:${(hundredths % 6000 / 100).toFixed(2).padStart(5, '0')}`;
  };

  Chart.defaults.animation = false;
  Chart.defaults.color = QUIET;
  Chart.defaults.borderColor = LINE;
  Chart.defaults.font.family = getComputedStyle(document.body).fontFamily;
  Chart.defaults.plugins.legend.display = false;

  const charts = {};

  // ---- the cursor --------------------------------------------------------------------------------------------------

  const shown = (chart) => chart.data.datasets.filter((set, n) => chart.isDatasetVisible(n) && !set.silent);

  function readOut(chart, index) {
    const {place, say} = chart.report;
    const values = shown(chart)
        .map((set) => [set.label, set.data[index]])
        .filter(([, point]) => point !== null && point !== undefined && point.y !== null)
        .map(([label, point]) => `${label} ${say(point.y, label)}`);
    return `${place(index)}: ${values.length ? values.join(', ') : 'nothing here'}`;
  }

  // `index` null takes the cursor away; `told`: the plot that shows its values beside the cursor.
  function moveCursor(group, index, told) {
    for (const chart of Object.values(charts)) {
      const own = chart.report;
      if (own.group !== group) continue;
      own.index = index;
      const text = index === null ? '' : readOut(chart, index);
      own.output.textContent = text;
      own.frame.setAttribute('aria-valuenow', index ?? 0);
      own.frame.setAttribute('aria-valuetext', text || 'no place yet');
      const here = [];
      if (index !== null && chart === told) {
        chart.data.datasets.forEach((set, n) => {
          const point = set.data[index];
          if (chart.isDatasetVisible(n) && !set.silent && point && point.y !== null) here.push({datasetIndex: n, index});
        });
      }
      chart.setActiveElements(here);
      chart.tooltip.setActiveElements(here, {x: 0, y: 0});
      chart.draw();
    }
  }

  const cursorLine = {
    id: 'cursorLine',
    afterDatasetsDraw(chart) {
      const own = chart.report, {ctx, chartArea: {top, bottom}} = chart;
      if (!own) return;
      ctx.save();
      ctx.lineWidth = 1;
      for (const hz of own.points) {
        const x = chart.scales.x.getPixelForValue(hz);
        ctx.strokeStyle = QUIET;
        ctx.setLineDash([2, 4]);
        ctx.beginPath();
        ctx.moveTo(x, top);
        ctx.lineTo(x, bottom);
        ctx.stroke();
        ctx.setLineDash([]);
        ctx.fillStyle = INK;
        ctx.beginPath();
        ctx.moveTo(x - 5, top);
        ctx.lineTo(x + 5, top);
        ctx.lineTo(x, top + 8);
        ctx.fill();
        ctx.textBaseline = 'top';
        ctx.font = `11px ${Chart.defaults.font.family}`;
        ctx.fillText(hertz(hz), x + 7, top + 2);
      }
      if (own.under) {
        ctx.globalCompositeOperation = 'destination-over';
        own.under(chart);
        ctx.globalCompositeOperation = 'source-over';
      }
      if (own.index !== null) {
        const x = chart.scales.x.getPixelForValue(own.xs[own.index]);
        ctx.strokeStyle = INK;
        ctx.beginPath();
        ctx.moveTo(x, top);
        ctx.lineTo(x, bottom);
        ctx.stroke();
      }
      ctx.restore();
    },
  };

  // ---- a plot ------------------------------------------------------------------------------------------------------

  // A legend's sample: the line with its dashes, or the shape alone.
  function sample(set) {
    const canvas = document.createElement('canvas');
    canvas.width = 64;
    canvas.height = 28;
    canvas.style.cssText = 'width: 32px; height: 14px';
    canvas.setAttribute('aria-hidden', 'true');
    const ctx = canvas.getContext('2d');
    ctx.scale(2, 2);
    ctx.strokeStyle = ctx.fillStyle = set.borderColor;
    if (set.area) {
      ctx.fillStyle = set.backgroundColor;
      ctx.fillRect(0, 1, 32, 12);
      return canvas;
    }
    if (set.showLine !== false) {
      ctx.lineWidth = 2;
      ctx.setLineDash(set.borderDash);
      ctx.beginPath();
      ctx.moveTo(0, 7);
      ctx.lineTo(32, 7);
      ctx.stroke();
      ctx.setLineDash([]);
    }
    if (set.pointStyle) {
      ctx.lineWidth = set.pointStyle === 'line' ? 4 : 2;
      Chart.helpers.drawPoint(ctx, {pointStyle: set.pointStyle, radius: set.pointStyle === 'line' ? 12 : 5, borderWidth: 2}, 16, 7);
    }
    return canvas;
  }

  // A button a curve, or on paper its sample and name; `partner`: the datasets that go with it.
  function addLegend(holder, chart, onPaper = false) {
    const sets = chart.data.datasets;
    sets.forEach((set, n) => {
      if (set.partner !== undefined || sets.filter((one) => one.partner === undefined).length < 2) return;
      if (onPaper) {
        const item = document.createElement('span');
        item.append(sample(set), set.legend ?? set.label);
        holder.append(item);
        return;
      }
      const button = document.createElement('button');
      button.type = 'button';
      button.setAttribute('aria-pressed', 'true');
      button.append(sample(set), set.legend ?? set.label);
      button.addEventListener('click', () => {
        const on = !chart.isDatasetVisible(n);
        button.setAttribute('aria-pressed', String(on));
        sets.forEach((one, m) => {
          if (m === n || one.partner === n) chart.setDatasetVisibility(m, on);
        });
        chart.update('none');
        moveCursor(chart.report.group, chart.report.index, chart);
      });
      holder.append(button);
    });
  }

  // `own`: group (plots that move together), xs, points, place(index) and say(y, label) in words, and under(chart), which
  // draws beneath the curves.
  function plot(name, own, sets, scales) {
    const holder = document.querySelector(`figure[data-plot="${name}"]`);
    if (!holder) return;
    const frame = holder.querySelector('.frame');
    const chart = new Chart(frame.querySelector('canvas'), {
      type: 'line',
      data: {labels: own.labels, datasets: sets},
      plugins: [cursorLine],
      options: {
        responsive: true,
        maintainAspectRatio: false,
        normalized: true,
        events: [],
        layout: {padding: {top: 6, right: 14}},
        interaction: {mode: 'index', axis: 'x', intersect: false},
        elements: {point: {radius: 0, hoverRadius: 5}, line: {borderWidth: 2, tension: 0}},
        scales,
        plugins: {
          tooltip: {
            backgroundColor: '#fffffff2', titleColor: INK, bodyColor: INK, borderColor: QUIET, borderWidth: 1,
            cornerRadius: 3, usePointStyle: true, caretSize: 0,
            filter: (item) => !item.dataset.silent,
            callbacks: {
              title: (items) => (items.length ? own.place(items[0].dataIndex) : ''),
              label: (item) => `${item.dataset.label}: ${own.say(item.raw.y, item.dataset.label)}`,
              labelColor: (item) => ({borderColor: item.dataset.borderColor, backgroundColor: item.dataset.borderColor}),
            },
          },
        },
      },
    });
    chart.report = Object.assign(own, {index: null, frame, output: holder.querySelector('.read-out'), points: own.points ?? []});
    charts[name] = chart;
    chart.draw();  // now with its marks
    frame.setAttribute('aria-valuemax', own.xs.length - 1);
    addLegend(holder.querySelector('.legend'), chart);

    // The index whose x lies nearest to the pointer.
    const nearest = (event) => {
      const at = event.clientX - chart.canvas.getBoundingClientRect().left;
      let best = 0, least = Infinity;
      own.xs.forEach((x, n) => {
        const apart = Math.abs(chart.scales.x.getPixelForValue(x) - at);
        if (apart < least) [best, least] = [n, apart];
      });
      return best;
    };
    for (const kind of ['pointermove', 'pointerdown'])
      frame.addEventListener(kind, (event) => moveCursor(own.group, nearest(event), chart));
    frame.addEventListener('pointerleave', (event) => {
      if (event.pointerType === 'mouse' && document.activeElement !== frame) moveCursor(own.group, null, chart);
    });
    frame.addEventListener('keydown', (event) => {
      const last = own.xs.length - 1, far = Math.max(1, Math.round(last / 20));
      const steps = {ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: far, PageDown: -far,
                     Home: -Infinity, End: Infinity};
      if (event.key === 'Escape') {
        moveCursor(own.group, null, chart);
      } else if (event.key in steps && !event.ctrlKey && !event.altKey && !event.metaKey) {
        const from = own.index ?? (steps[event.key] > 0 ? -1 : last + 1);
        moveCursor(own.group, Math.min(last, Math.max(0, from + steps[event.key])), chart);
      } else {
        return;
      }
      event.preventDefault();
    });
  }

  const plain = (value) => minus(`${+value.toPrecision(4)}`);
  const axis = (text, more = {}) => ({title: {display: true, text}, ...more, ticks: {maxRotation: 0, callback: plain, ...more.ticks}});

  const logarithmic = (xs) => axis('frequency, Hz', {
    type: 'logarithmic',
    min: Math.max(xs[0], 1),
    max: xs.at(-1),
    afterBuildTicks(scale) {
      scale.ticks = [10, 20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 1e4, 2e4, 4e4]
          .filter((hz) => hz >= scale.min * 0.999 && hz <= scale.max * 1.001).map((value) => ({value}));
    },
    ticks: {autoSkip: false, callback: (hz) => (hz < 1000 ? `${hz}` : `${hz / 1000}k`)},
  });
  const finite = (rows) => rows.flat().filter((value) => value !== null);

  // A curve in one of the styles, with its shape at nine of its places: which ones is the `turn` of curves that share a
  // plot.
  function curve(label, own, xs, ys, turn = 0, more = {}) {
    const stride = Math.max(1, Math.floor(xs.length / 9)), offset = Math.floor(stride * ((turn % 4) + 1) / 5);
    return {
      label, borderColor: own.colour, backgroundColor: own.colour, borderDash: own.dash, borderWidth: 2, order: 1,
      pointStyle: own.shape ?? false, pointRadius: own.shape ? (context) => (context.dataIndex % stride === offset ? 4 : 0) : 0,
      data: ys.map((y, n) => ({x: xs[n], y})),
      ...more,
    };
  }

  // A wrapped phase jumps by 360 degrees: no line there.
  const wrap = (deg) => (deg === null ? null : deg - 360 * Math.round(deg / 360));
  const wrapped = {
    segment: {borderColor: ({p0, p1}) => (Math.abs(p0.parsed.y - p1.parsed.y) > 180 ? 'transparent' : undefined)}};
  const phaseAxis = () => axis('phase, degrees', {min: -180, max: 180, ticks: {stepSize: 90}});

  // On paper a plot has its place's width in millimetres, a share of that for its height, smaller letters and finer dots.
  const MILLIMETRE = 96 / 25.4, PAPER = {whole: 190, half: 92, third: 60}, LETTERS = 1.4, DOTS = 2.5;
  function toPaper() {
    for (const [name, chart] of Object.entries(charts)) {
      const {frame} = chart.report, track = frame.closest('.tracks'), half = frame.closest('.pair, .duo');
      const width = (track ? PAPER.third : half ? PAPER.half : PAPER.whole) * MILLIMETRE * LETTERS;
      chart.options.responsive = false;
      chart.options.devicePixelRatio = DOTS;
      chart.resize(width, width * (track ? 0.62 : half ? 0.5 : name === 'volts' ? 0.28 : 0.27));
    }
  }
  function toScreen() {
    for (const chart of Object.values(charts)) {
      chart.options.responsive = true;
      chart.options.devicePixelRatio = undefined;
      chart.resize();
    }
  }

  // A table that is wider than its place says so.
  function tellWide() {
    for (const wide of document.querySelectorAll('.wide')) {
      const {scrollWidth, clientWidth} = wide.querySelector('.sideways');
      wide.querySelector('.wider').hidden = scrollWidth <= clientWidth;
    }
  }

  function done() {
    // Plots of one kind need one legend on paper.
    for (const tracks of document.querySelectorAll('.tracks')) {
      const legend = document.createElement('div');
      legend.className = 'legend paper';
      legend.setAttribute('aria-hidden', 'true');
      const first = Object.values(charts).find((chart) => tracks.contains(chart.canvas));
      if (first) addLegend(legend, first, true);
      tracks.before(legend);
    }
    addEventListener('beforeprint', toPaper);
    addEventListener('afterprint', toScreen);
    addEventListener('resize', tellWide);
    tellWide();

    window.report = {
      charts,
      cursor(name, index) {
        moveCursor(charts[name].report.group, index, charts[name]);
        return charts[name].report.output.textContent;
      },
    };
  }

  return {data, INK, QUIET, LINE, SUM, style, fixed, plain, figure, hertz, clock, plot, axis, logarithmic, finite, curve, wrap, wrapped,
          phaseAxis, done};
})();
