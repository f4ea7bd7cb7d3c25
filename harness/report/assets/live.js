// The page of a rig that plays: meters from server-sent events, ten minutes of history, the responses as they are set.
//
// For checks from outside, `window.live` is {readings, old()}: how many have come in, and whether the last one is older
// than a second.

(() => {
  const {data, style, fixed, figure, hertz, plot, axis, logarithmic, finite, curve, done} = plotting;
  const SECONDS = 600, LOWEST_DB = -40, OLD_MS = 1000, MOST_MS = 2000, TEXT_MS = 250;

  // ---- plots -------------------------------------------------------------------------------------------------------

  const ago = [...Array(SECONDS)].map((_, n) => n + 1 - SECONDS);
  const place = (n) => (n === SECONDS - 1 ? 'now' : `${SECONDS - 1 - n} s ago`);
  const time = () => axis('time before now, minutes', {
    type: 'linear', min: 1 - SECONDS, max: 0,
    afterBuildTicks(scale) {
      scale.ticks = [-600, -480, -360, -240, -120, 0].map((value) => ({value: Math.max(value, 1 - SECONDS)}));
    },
    ticks: {callback: (s) => `${Math.round(-s / 60)}`},
  });
  const over = (rows, least) => data.outputs.map(({name}, n) =>
    curve(name, style(n), ago, rows[n].map((y) => (y === null || y >= least ? y : least)), n));
  const seconds = (name, rows, least, say, y) =>
    plot(name, {group: 'history', xs: ago, place, say}, over(rows, least), {x: time(), y});
  seconds('level', data.history.level, LOWEST_DB, (y) => `${fixed(y, 1)} dB`,
      axis('level, dB of the limit', {min: LOWEST_DB, max: 0, ticks: {stepSize: 10}}));
  seconds('held', data.history.held, 0, (y) => `${fixed(y, 1)} dB`, axis('held back, dB', {min: 0, suggestedMax: 6}));
  seconds('heat', data.history.heat, 0, (y) => `${fixed(y, 0)} %`, axis('coil heat, %', {min: 0, suggestedMax: 110}));
  const rows = data.outputs.map(({response}) => response);
  if (data.frequency.length) {
    const top = Math.ceil((Math.max(...finite(rows), -200) + 1) / 6) * 6;
    plot('response', {group: 'response', xs: data.frequency, place: (n) => hertz(data.frequency[n]), say: (y) => `${fixed(y, 1)} dB`},
        data.outputs.map(({name}, n) => curve(name, style(n), data.frequency, rows[n], n)),
        {x: logarithmic(data.frequency), y: axis('level, dB', {min: top - 48, max: top, ticks: {stepSize: 12}})});
  }
  done();

  // The newest second comes in at the right, and what is oldest goes out at the left.
  function addSecond(name, values, least) {
    const chart = window.report.charts[name];
    chart.data.datasets.forEach((set, n) => {
      for (let at = 1; at < SECONDS; ++at) set.data[at - 1].y = set.data[at].y;
      set.data[SECONDS - 1].y = values[n] === null ? null : Math.max(values[n], least);
    });
    chart.update('none');
  }

  // ---- meters ------------------------------------------------------------------------------------------------------

  const now = document.getElementById('now'), headline = document.getElementById('now-title');
  const totals = document.getElementById('totals');
  const meters = [...document.querySelectorAll('.meters tbody tr')].map((row) => {
    const [level, volts, , peak, power, heat, state] = row.querySelectorAll('td');
    const [fill, most] = level.querySelectorAll('i');
    return {bar: level.firstElementChild, fill, most, volts, peak, power, heat, state, greatest: [], second: null};
  });
  let readings = 0, last = -Infinity, told = 0, secondAt = 0, said = '';

  function status(kind, sign, words) {
    if (said === words) return;
    said = words;
    now.classList.remove('holds', 'falls');
    now.classList.add(kind);
    const seal = headline.querySelector('.seal');
    seal.textContent = sign;
    headline.replaceChildren(seal, words);
    document.title = `${words}: ${document.querySelector('h1').textContent}`;
  }

  const decibels = (volts, limit) => (limit === null || !(volts > 0) ? LOWEST_DB : Math.max(20 * Math.log10(volts / limit), LOWEST_DB));
  const share = (db) => `${100 * (1 - db / LOWEST_DB)}%`;
  const text = (value, digits) => (value === null ? '–' : fixed(value, digits));

  function show(reading, at) {
    const words = at - told >= TEXT_MS;
    if (words) told = at;
    reading.outputs.forEach((output, n) => {
      const meter = meters[n], limit = data.outputs[n].limit, db = decibels(output.volts, limit);
      const {greatest} = meter;
      greatest.push({at, db, output});
      while (at - greatest[0].at > MOST_MS) greatest.shift();
      meter.fill.style.width = share(db);
      meter.most.style.left = share(Math.max(...greatest.map((one) => one.db)));
      meter.bar.classList.toggle('held', output.peak + output.power > 0.1);
      if (!words) return;
      // Figures show the most of the time since they were last written.
      const since = greatest.filter((one) => at - one.at < TEXT_MS + 50).map((one) => one.output);
      const of = (key) => since.reduce((most, one) => (one[key] === null ? most : Math.max(most ?? 0, one[key])), null);
      const volts = of('volts');
      meter.bar.setAttribute('aria-valuenow', fixed(db, 1).replace('\u2212', '-'));
      meter.bar.setAttribute('aria-valuetext', `${figure(volts)} V peak${limit === null ? '' : ` of ${figure(limit)}`}`);
      meter.volts.textContent = figure(volts);
      meter.peak.textContent = text(of('peak'), 1);
      meter.power.textContent = text(of('power'), 1);
      meter.heat.textContent = text(of('heat'), 0);
      meter.state.textContent = output.muted ? 'muted' : output.peak + output.power > 0.1 ? 'limiting' : 'open';
    });
    if (!words) return;
    totals.textContent = `Missed cycles: ${reading.missed}. Bad samples at the inputs: ${reading.bad}.`;
    const all = reading.outputs.every(({muted}) => muted), some = reading.outputs.some(({muted}) => muted);
    status('holds', '✓', all ? 'All outputs are muted' : some ? 'Playing, some outputs are muted' : 'Playing');
  }

  // The greatest of a second goes into the plots when the next one begins.
  function remember(reading) {
    const second = Math.floor(reading.seconds);
    if (second !== secondAt && meters[0].second) {
      addSecond('level', meters.map((meter) => meter.second.level), LOWEST_DB);
      addSecond('held', meters.map((meter) => meter.second.held), 0);
      addSecond('heat', meters.map((meter) => meter.second.heat), 0);
      meters.forEach((meter) => { meter.second = null; });
    }
    secondAt = second;
    reading.outputs.forEach((output, n) => {
      const level = decibels(output.volts, data.outputs[n].limit), held = output.peak + output.power;
      const before = meters[n].second ?? {level, held, heat: output.heat};
      meters[n].second = {
        level: Math.max(before.level, level),
        held: Math.max(before.held, held),
        heat: output.heat === null ? before.heat : Math.max(before.heat ?? 0, output.heat),
      };
    });
  }

  const events = new EventSource('events');
  events.onmessage = ({data: line}) => {
    const reading = JSON.parse(line), at = performance.now();
    if (reading.rig !== data.rig || reading.outputs.length !== meters.length) {
      events.close();
      location.reload();  // another rig runs: other limits, other responses
      return;
    }
    ++readings;
    window.live.readings = readings;
    last = at;
    show(reading, at);
    remember(reading);
  };
  const old = () => performance.now() - last > OLD_MS;
  setInterval(() => {
    if (old()) status('falls', '!', readings ? 'These meters are old: nothing has come in for a second' : 'Waiting for meters');
  }, 200);
  addEventListener('pagehide', () => events.close());  // its place is free for the next page
  window.live = {readings, old};
})();
