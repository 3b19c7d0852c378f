// What was found earlier: the calibrations of a ring, the closing differences of a
// master on a bench, and where to find both.
import { h } from './dom.js';
import { get } from './client.js';
import { micro, signedMicro, uncertainty, status, day, clock, plain, bare, length, prefs } from './format.js';
import { s, plot, ticks, marker } from './chart.js';
import { place } from './result.js';

const TOP = 14, BOTTOM = 34, LEFT = 74, RIGHT = 16;
const shapes = ['circle', 'square', 'up', 'diamond', 'down', 'cross'];
const head = (names) => h('thead', {}, h('tr', {}, names.map((t) => h('th', { scope: 'col', class: t[0] === '#' ? 'number' : null }, t.replace('#', '')))));
const scroll = (name, table) => h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': name }, table);
const when = (iso) => `${day(iso)} ${clock(iso)}`;
/** The day of a set, which leads to its result; the time below it. */
const setLink = (c) => [h('a', { href: `#/results/${c.set_id}`, 'aria-label': `Result of the set of ${when(c.started)}` }, day(c.started)), h('span', { class: 'quiet' }, clock(c.started))];
const micrometres = (v, decimals) => `${v > 0 ? '+' : ''}${v.toFixed(decimals)}`.replace('-', '\u2212');

/** Rules and numbers of an axis of micrometres; y maps millimetres. */
function scaleOf(low, high, height, width, y) {
  const t = ticks(low * 1000, high * 1000, Math.max(2, Math.round(height / 55)));
  return t.values.map((v) => [
    s('line', { class: Math.abs(v) < t.step / 1e3 ? 'zero' : 'rule', x1: LEFT, x2: width - RIGHT, y1: y(v / 1000), y2: y(v / 1000) }),
    s('text', { class: 'axis', x: LEFT - 8, y: y(v / 1000) + 5, 'text-anchor': 'end' }, `${micrometres(Math.abs(v) < t.step / 1e3 ? 0 : v, t.decimals)} µm`),
  ]).flat();
}

/** Where values lie on the drawing, with some room. */
function heights(values, height) {
  let low = Math.min(...values), high = Math.max(...values);
  const room = Math.max((high - low) * 0.12, 0.00002);
  low -= room;
  high += room;
  return { low, high, y: (v) => height - BOTTOM - ((v - low) / (high - low)) * (height - TOP - BOTTOM) };
}

/** A level across the drawing with its words, at the left or the right end. */
const level = (y, width, v, cls, text, left) => [
  s('line', { class: cls, x1: LEFT, x2: width - RIGHT, y1: y(v), y2: y(v) }),
  s('text', { class: 'says', x: left ? LEFT + 2 : width - RIGHT - 2, y: y(v) - 5, 'text-anchor': left ? 'start' : 'end' }, text),
];
/** Words lie above all else. */
const wordsLast = (nodes) => [...nodes.filter((n) => !n.classList.contains('says')), ...nodes.filter((n) => n.classList.contains('says'))];

export async function ringView([id]) {
  const doc = await get(`/rings/${encodeURIComponent(id)}/history`);
  const { ring, calibrations } = doc;
  const title = `Earlier calibrations of ${ring.ident}`;
  const tolerance = ring.lower_limit_mm === undefined ? 'no tolerance registered' : `tolerance ${signedMicro(ring.lower_limit_mm)} to ${signedMicro(ring.upper_limit_mm)}`;
  const nodes = [
    h('h2', { tabindex: -1 }, title),
    h('p', { class: 'quiet' }, `Nominal ${plain(ring.nominal_mm)} mm, ${ring.material}${ring.owner ? `, ${ring.owner}` : ''}, ${tolerance}.`),
  ];
  if (calibrations.length === 0) {
    nodes.push(h('p', { class: 'note' }, 'No result of this ring is stored yet.'));
    return { title, nodes };
  }
  const newest = calibrations.filter((c) => c.set_id === calibrations[0].set_id);
  nodes.push(h('ul', { class: 'notes said' }, newest.map((c) => h('li', {}, `${place(c)}: ${changeWords(c)}`))));
  nodes.push(ringChart(ring, calibrations));
  nodes.push(scroll('Table of calibrations', h('table', { id: 'calibrations' },
    h('caption', { class: 'sr' }, title),
    head(['Set, position', `#Diameter / ${prefs.unit}`, '#U', '#From nominal', '#Change', 'Result', 'Decision']),
    h('tbody', {}, calibrations.map((c) => h('tr', {},
      h('th', { scope: 'row' }, setLink(c), h('span', { class: 'quiet' }, place(c))),
      h('td', { class: 'number strong' }, bare(c.diameter_20c_mm)),
      h('td', { class: 'number' }, uncertainty(c.expanded_uncertainty_mm)),
      h('td', { class: 'number' }, signedMicro(c.deviation_mm)),
      h('td', { class: 'number' }, c.change ? [signedMicro(c.change.change_mm), h('span', { class: 'quiet' }, `${c.change.within ? '✓ within' : '✗ beyond'} ${uncertainty(c.change.expanded_uncertainty_mm)}`)] : '–'),
      h('td', {}, status(c.status), c.revision > 1 ? h('span', { class: 'quiet' }, ` revision ${c.revision}`) : null),
      h('td', { class: 'wide' }, c.decision || 'no tolerance')))))));
  nodes.push(h('div', { class: 'caution' }, h('p', {}, doc.caution)));
  return { title, nodes };
}

function changeWords(c) {
  if (!c.change) return `${length(c.diameter_20c_mm)}; not measured at this position before.`;
  const { change_mm: d, expanded_uncertainty_mm: u, within, started } = c.change;
  return `${length(c.diameter_20c_mm)}, ${signedMicro(d)} since ${day(started)}; ${within ? '✓ the uncertainties of both explain up to' : '✗ more than the uncertainties of both explain,'} ${uncertainty(u)}.`;
}

function ringChart(ring, calibrations) {
  const places = [...new Set(calibrations.map(place))];
  const shapeOf = (c) => shapes[places.indexOf(place(c)) % shapes.length];
  const times = calibrations.map((c) => Date.parse(c.started));
  const first = Math.min(...times), last = Math.max(...times);
  const limits = ring.lower_limit_mm === undefined ? [] : [ring.lower_limit_mm, ring.upper_limit_mm];
  const chart = plot(300, (width, height) => {
    const { low, high, y } = heights([0, ...limits, ...calibrations.flatMap((c) => [c.deviation_mm - c.expanded_uncertainty_mm, c.deviation_mm + c.expanded_uncertainty_mm])], height);
    // Positions of one set stand beside each other.
    const side = Math.min(14, 60 / places.length);
    const room = 20 + side * places.length / 2;
    const x = (c) => (last === first ? (LEFT + width - RIGHT) / 2 : LEFT + room + ((Date.parse(c.started) - first) / (last - first)) * (width - LEFT - RIGHT - 2 * room)) + (places.indexOf(place(c)) - (places.length - 1) / 2) * side;
    const out = scaleOf(low, high, height, width, y);
    for (const [v, text] of [[limits[0], 'lower limit'], [limits[1], 'upper limit']]) if (v !== undefined) out.push(...level(y, width, v, 'limit', text));
    for (const c of calibrations) {
      const px = x(c), a = y(c.deviation_mm - c.expanded_uncertainty_mm), b = y(c.deviation_mm + c.expanded_uncertainty_mm);
      out.push(s('path', { class: 'ubar', d: `M${px} ${a}V${b}M${px - 5} ${a}h10M${px - 5} ${b}h10` }), marker(shapeOf(c), px, y(c.deviation_mm), 5, { class: 'dot' }));
    }
    const label = last - first < 36 * 3.6e6 ? (t) => clock(new Date(t).toISOString()) : (t) => day(new Date(t).toISOString());
    const ends = last === first ? [[first, (LEFT + width - RIGHT) / 2, 'middle']] : [[first, LEFT, 'start'], [last, width - RIGHT, 'end']];
    for (const [t, px, anchor] of ends) out.push(s('text', { class: 'axis', x: px, y: height - 10, 'text-anchor': anchor }, label(t)));
    return wordsLast(out);
  });
  const legend = h('ul', { class: 'legend' }, places.map((p, i) => h('li', {}, s('svg', { width: 18, height: 18, viewBox: '0 0 18 18', 'aria-hidden': 'true' }, marker(shapes[i % shapes.length], 9, 9, 5, { class: 'dot' })), p)));
  return h('figure', { class: 'charted' },
    h('div', { role: 'img', 'aria-label': `Deviation from nominal of ${new Set(calibrations.map((c) => c.set_id)).size} sets over time, with U as bars; the table below says the same`, 'aria-describedby': 'calibrations' }, chart.el),
    h('figcaption', {}, h('span', {}, 'Deviation from nominal; bars are ± U.'), legend));
}

const signalWords = { beyond_limits: 'beyond the control limits', ewma: 'moving average (EWMA)', cusum: 'cumulative sum (CUSUM)' };

export async function closingView([station, master], params) {
  const since = params.get('since') ?? '';
  const doc = await get(`/stations/${encodeURIComponent(station)}/closings?master=${encodeURIComponent(master)}${since ? `&since=${since}T00:00:00Z` : ''}`);
  const { closings, limits } = doc;
  const title = `Closing differences on ${doc.master.ident}`;
  const from = h('input', { type: 'date', id: 'since', value: since });
  const nodes = [
    h('h2', { tabindex: -1 }, title),
    h('p', { class: 'quiet' }, `Closing minus opening reference at 20 °C on ${doc.station}, of every set its last attempt.`),
    h('form', { class: 'row since', onsubmit: (e) => {
      e.preventDefault();
      location.hash = `#/closing/${encodeURIComponent(station)}/${encodeURIComponent(master)}${from.value ? `?since=${from.value}` : ''}`;
    } }, h('label', { for: 'since' }, 'Only sets since'), from, h('button', { type: 'submit', class: 'plain' }, 'Show')),
  ];
  if (closings.length === 0) {
    nodes.push(h('p', { class: 'note' }, 'No closing difference is stored.'));
    return { title, nodes };
  }
  nodes.push(doc.why_not ? h('p', { class: 'note' }, doc.why_not)
    : doc.signals.length ? h('ul', { class: 'note signals' }, doc.signals.map((t) => h('li', {}, `! ${t}`)))
      : h('p', { class: 'usual' }, '✓ The newest closing difference is as usual on this bench.'));
  if (limits) {
    nodes.push(h('p', {}, `Control limits ${signedMicro(limits.lower_mm)} to ${signedMicro(limits.upper_mm)} about ${signedMicro(limits.centre_mm)}, from the first ${limits.baseline} closings: three standard deviations of ${uncertainty(limits.s_mm)}, from the mean moving range.`));
  }
  nodes.push(closingChart(closings, limits));
  if (limits) nodes.push(cusumChart(closings, limits));
  nodes.push(scroll('Table of closing differences', h('table', { id: 'closings' },
    h('caption', { class: 'sr' }, title),
    head(['Set started', '#Difference', '#Limit of the set', '#Attempts', ...(limits ? ['#EWMA', '#CUSUM up', '#CUSUM down', 'Signals'] : [])]),
    h('tbody', {}, [...closings].reverse().map((c) => h('tr', {},
      h('th', { scope: 'row' }, setLink(c)),
      h('td', { class: 'number strong' }, signedMicro(c.difference_mm)),
      h('td', { class: 'number' }, micro(c.limit_mm), h('span', { class: 'quiet' }, c.within ? '✓ within' : '✗ beyond')),
      h('td', { class: 'number' }, String(c.attempts)),
      limits ? [h('td', { class: 'number' }, signedMicro(c.ewma_mm)), h('td', { class: 'number' }, micro(c.cusum_high_mm)), h('td', { class: 'number' }, micro(c.cusum_low_mm)),
        h('td', { class: 'wide' }, c.signals.length ? `! ${c.signals.map((x) => signalWords[x] ?? x).join(', ')}` : 'none')] : null))))));
  nodes.push(h('div', { class: 'caution' }, h('p', {}, doc.caution)));
  return { title, nodes };
}

/** Where the n-th of several closings stands on the drawing. */
const ordinal = (n, width) => (i) => (n === 1 ? (LEFT + width - RIGHT) / 2 : LEFT + 14 + (i / (n - 1)) * (width - LEFT - RIGHT - 28));

function dates(closings, x, width, height) {
  const n = closings.length;
  const shown = n === 1 ? [0] : [0, n - 1];
  return shown.map((i) => s('text', { class: 'axis', x: i === 0 && n > 1 ? LEFT : n > 1 ? width - RIGHT : x(0), y: height - 10, 'text-anchor': n === 1 ? 'middle' : i === 0 ? 'start' : 'end' }, day(closings[i].started)));
}

function closingChart(closings, limits) {
  const chart = plot(320, (width, height) => {
    const permitted = closings.at(-1).limit_mm;
    const { low, high, y } = heights([0, permitted, -permitted, ...closings.map((c) => c.difference_mm), ...(limits ? [limits.lower_mm, limits.upper_mm] : [])], height);
    const x = ordinal(closings.length, width);
    const out = scaleOf(low, high, height, width, y);
    out.push(s('line', { class: 'limit', x1: LEFT, x2: width - RIGHT, y1: y(permitted), y2: y(permitted) }), ...level(y, width, -permitted, 'limit', 'limit of the set', true));
    if (limits) {
      out.push(...level(y, width, limits.upper_mm, 'control', 'upper control limit'), ...level(y, width, limits.lower_mm, 'control', 'lower control limit'),
        s('line', { class: 'centre', x1: LEFT, x2: width - RIGHT, y1: y(limits.centre_mm), y2: y(limits.centre_mm) }),
        s('path', { class: 'line', d: closings.map((c, i) => `${i ? 'L' : 'M'}${x(i).toFixed(1)} ${y(c.ewma_mm).toFixed(1)}`).join('') }));
    }
    closings.forEach((c, i) => {
      const beyond = c.signals.includes('beyond_limits');
      out.push(marker(beyond ? 'cross' : 'circle', x(i), y(c.difference_mm), beyond ? 6 : 4, { class: beyond ? 'dot beyond' : 'dot' }));
    });
    return wordsLast([...out, ...dates(closings, x, width, height)]);
  });
  return h('figure', { class: 'charted' },
    h('div', { role: 'img', 'aria-label': 'Closing differences in their order; the table below says the same', 'aria-describedby': 'closings' }, chart.el),
    h('figcaption', {}, limits ? 'Points: closing differences, a cross lies beyond the control limits. Line: their moving average (EWMA).' : 'Closing differences in their order.'));
}

function cusumChart(closings, limits) {
  const chart = plot(200, (width, height) => {
    const { low, high, y } = heights([limits.cusum_decision_mm, -limits.cusum_decision_mm, ...closings.flatMap((c) => [c.cusum_high_mm, -c.cusum_low_mm])], height);
    const x = ordinal(closings.length, width);
    const path = (f) => closings.map((c, i) => `${i ? 'L' : 'M'}${x(i).toFixed(1)} ${y(f(c)).toFixed(1)}`).join('');
    return [
      ...scaleOf(low, high, height, width, y), ...level(y, width, limits.cusum_decision_mm, 'control', 'signal above'),
      s('line', { class: 'control', x1: LEFT, x2: width - RIGHT, y1: y(-limits.cusum_decision_mm), y2: y(-limits.cusum_decision_mm) }),
      s('text', { class: 'says', x: width - RIGHT - 2, y: y(-limits.cusum_decision_mm) + 16, 'text-anchor': 'end' }, 'signal below'),
      s('path', { class: 'line', d: path((c) => c.cusum_high_mm) }), s('path', { class: 'line down', d: path((c) => -c.cusum_low_mm) }),
      ...dates(closings, x, width, height),
    ];
  });
  return h('figure', { class: 'charted' },
    h('div', { role: 'img', 'aria-label': 'Cumulative sums of the closing differences; the table below says the same', 'aria-describedby': 'closings' }, chart.el),
    h('figcaption', {}, 'Cumulative sums (CUSUM): upwards as a line, downwards dashed.'));
}

export async function recordsView() {
  const [{ sets }, { rings }] = await Promise.all([get('/sets?limit=100'), get('/rings')]);
  const stations = [...new Set(sets.map((x) => x.station))];
  const works = rings.filter((r) => r.kind === 'work'), masters = rings.filter((r) => r.kind === 'master');
  return {
    title: 'Records',
    nodes: [
      h('h2', { tabindex: -1 }, 'Records'),
      h('h3', {}, 'Sets'),
      sets.length === 0 ? h('p', {}, 'No set has been measured yet.') : scroll('Table of sets', h('table', { id: 'sets' },
        h('caption', { class: 'sr' }, 'Sets, newest first'),
        head(['Started', 'Work', 'Master', 'Bench', 'Technician', 'State']),
        h('tbody', {}, sets.map((x) => h('tr', {},
          h('th', { scope: 'row' }, h('a', { href: `#/results/${x.id}` }, when(x.started))),
          h('td', {}, x.work_idents.join(', ')), h('td', {}, x.master_ident), h('td', {}, x.station), h('td', {}, x.technician),
          h('td', {}, x.closed ? 'closed' : status(x.status), x.ended ? null : h('span', { class: 'quiet' }, ` ${x.steps_done} of ${x.steps} steps`))))))),
      h('h3', {}, 'Work rings'),
      works.length === 0 ? h('p', {}, 'None is registered.') : h('ul', { class: 'row links' }, works.map((r) => h('li', {}, h('a', { href: `#/rings/${r.id}`, 'aria-label': `Earlier calibrations of ${r.ident}` }, r.ident)))),
      h('h3', {}, 'Masters: closing differences'),
      masters.length === 0 || stations.length === 0 ? h('p', {}, 'None yet.') : h('ul', { class: 'row links' },
        masters.flatMap((r) => stations.map((st) => h('li', {}, h('a', { href: `#/closing/${encodeURIComponent(st)}/${r.id}`, 'aria-label': `Closing differences on ${r.ident}, ${st}` }, `${r.ident}${stations.length > 1 ? ` on ${st}` : ''}`))))),
    ],
  };
}
