// The trace of a capture, after the fact: the whole contact, and down to the last
// micrometres about a turning point. The daemon sends a bounded number of columns for
// the window in sight, whatever the length of the trace.
import { h, setText, show } from './dom.js';
import { get } from './client.js';
import { uncertainty, outcome, standing, roles, day, clock, plain, bare, length, prefs } from './format.js';
import { s, plot, ticks, marker } from './chart.js';
import { place } from './result.js';

const LEFT = 92, RIGHT = 14, TOP = 16, BOTTOM = 30;
const NEAR = 0.004;      // mm: the height about a turning point
const FINEST = 0.0002;   // mm
const SHORTEST = 0.05;   // s

const pointName = (p) => `${p.adjustment} ${p.sense === 'min' ? 'minimum' : 'maximum'}`;
const upper = (text) => text[0].toUpperCase() + text.slice(1);

export async function captureView([id], params) {
  const path = `/captures/${encodeURIComponent(id)}`;
  const [capture, whole, turns] = await Promise.all([get(path), get(`${path}/envelope`), get(`${path}/turn-backs`).then((doc) => ({ list: doc.turn_backs }), (err) => {
    if (err.status !== 409) throw err;
    return { list: [], why: err.message };
  })]);
  const set = capture.set_id ? await get(`/sets/${capture.set_id}`) : null;
  const step = set?.steps[capture.step];
  const what = step ? `${roles[step.role] ?? step.role} ${step.ident}, ${place(step)}` : 'a capture outside any step';
  const title = `Trace of ${what}`;
  const view = new View(capture, whole, turns.list, path, params);
  return {
    title, close: () => view.close(),
    nodes: [
      h('h2', { tabindex: -1 }, title),
      said(capture),
      ...(whole.readings > 0 ? view.nodes : [h('p', { class: 'note' }, 'No readings are stored for this capture.')]),
      points(whole, view),
      facts(capture, whole, turns),
      h('p', { class: 'row links' },
        h('a', { href: capture.trace, download: '' }, 'Raw trace (CSV)'),
        set?.ended ? h('a', { href: `#/results/${set.id}` }, 'The result of its set') : null),
    ],
  };
}

/** Outcome, standing and reasons in words. */
function said(c) {
  const good = c.reading_mm !== undefined;
  return h('div', { class: 'said' },
    h('p', { class: 'verdict' }, h('strong', {}, good && c.outcome === 'diameter' ? 'Diameter found' : upper(outcome(c.outcome))),
      c.standing === 'used' ? '; it counts. ' : c.standing ? `; ${standing(c.standing)}. ` : '. ',
      good ? `Reading at the saddle ${length(c.reading_mm)} ± ${uncertainty(c.u_mm)}, ${day(c.at)} ${clock(c.at)}.` : `${day(c.at)} ${clock(c.at)}.`),
    c.why && c.standing !== 'used' ? h('p', {}, c.why) : null,
    c.rejected_by ? h('p', {}, `Rejected by ${c.rejected_by}: ${c.rejected_reason}`) : null,
    c.question ? h('p', { class: 'note' }, c.question) : null,
    c.reasons.length ? h('ul', { class: 'notes' }, c.reasons.map((r) => h('li', {}, r.text))) : null);
}

function points(whole, view) {
  if (whole.points.length === 0) return h('p', {}, 'No turning point was found.');
  return h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Table of turning points' }, h('table', { id: 'turning-points' },
    h('caption', { class: 'sr' }, 'Turning points'),
    h('thead', {}, h('tr', {}, ['Turning point', `#Value / ${prefs.unit}`, '#u', '#Passes', '#At'].map((t) => h('th', { scope: 'col', class: t[0] === '#' ? 'number' : null }, t.replace('#', ''))))),
    h('tbody', {}, whole.points.map((p) => h('tr', {},
      h('th', { scope: 'row' }, h('button', { type: 'button', class: 'plain small', onclick: () => view.near(p) }, `Show the ${pointName(p)}`)),
      h('td', { class: 'number' }, bare(p.value_mm)), h('td', { class: 'number' }, uncertainty(p.u_mm)),
      h('td', { class: 'number' }, String(p.crossings)), h('td', { class: 'number' }, `${p.t_s.toFixed(1)} s`))))));
}

function facts(c, whole, turns) {
  const line = (term, text) => h('div', {}, h('dt', {}, term), h('dd', {}, text));
  const contact = whole.contact_to_s;
  return h('dl', { class: 'figures' },
    contact === undefined ? null : line('Settled contact', `${contact.toFixed(1)} s, from ${clock(c.start)} to ${clock(c.end)}`),
    line('Readings stored', `${whole.readings}, one count is ${plain(whole.step_mm * 1000)} µm`),
    c.ending ? line('Ended by', c.ending.replaceAll('_', ' ')) : null,
    c.detector ? line('Detector', `revision ${c.detector}, entries ${c.first_seq} to ${c.last_seq}`) : null,
    line('Turned back by the hand', turns.why ?? (turns.list.length === 0 ? 'not where it could be taken for a turning point'
      : `${turns.list.length === 16 ? '16 times at least' : turns.list.length === 1 ? 'once' : `${turns.list.length} times`} (hollow diamonds)`)));
}

class View {
  constructor(capture, whole, turns, path, params) {
    Object.assign(this, { capture, whole, turns, path, envelope: whole, closed: false, timer: 0, asked: '' });
    this.plot = plot(Math.max(260, Math.min(460, Math.round(innerHeight * 0.46))), (w, hgt) => this.draw(w, hgt), {
      tabindex: 0, role: 'group', 'aria-label': 'Trace', 'aria-describedby': 'trace-scale',
    });
    this.plot.el.addEventListener('keydown', (e) => this.key(e));
    this.scale = h('p', { id: 'trace-scale', role: 'status' });
    this.missing = h('p', { class: 'quiet' });
    const button = (label, name, f) => h('button', { type: 'button', class: 'plain', 'aria-label': name, onclick: f }, label);
    this.nodes = [
      h('div', { class: 'row tools', role: 'group', 'aria-label': 'What to look at' },
        button('Whole contact', null, () => this.all()),
        whole.points.map((p) => button(upper(pointName(p)), null, () => this.near(p))),
        button('◀', 'Earlier', () => this.pan(-0.3)), button('▶', 'Later', () => this.pan(0.3)),
        button('Time ÷ 2', 'Time ÷ 2: half the time', () => this.stretch(0.5)), button('Time × 2', 'Time × 2: twice the time', () => this.stretch(2)),
        button('Height ÷ 2', 'Height ÷ 2: half the height', () => this.height(0.5)), button('Height × 2', 'Height × 2: twice the height', () => this.height(2))),
      h('figure', { class: 'traced' }, this.plot.el,
        h('figcaption', {}, this.scale, this.missing,
          h('p', { class: 'quiet keys' }, 'Keys on the trace: ← → move, ↑ ↓ height, + − time, Home the whole contact.'))),
    ];
    const n = (name) => (params.has(name) && Number.isFinite(Number(params.get(name))) ? Number(params.get(name)) : null);
    const given = { from: n('from'), to: n('to'), low: n('low'), high: n('high') };
    if (given.to > given.from && given.high > given.low) this.look(given, true);
    else this.all();
  }

  close() {
    this.closed = true;
    clearTimeout(this.timer);
  }

  /** The whole contact with all its heights. */
  all() {
    const from = this.whole.contact_from_s ?? this.whole.first_s, to = this.whole.contact_to_s ?? this.whole.last_s;
    let low = Infinity, high = -Infinity;
    for (const c of this.whole.columns) {
      if (c.t_s + this.whole.column_s < from || c.t_s > to) continue;
      low = Math.min(low, c.min_mm);
      high = Math.max(high, c.max_mm);
    }
    if (!(high >= low)) [low, high] = [0, 0];
    const room = Math.max((high - low) * 0.08, this.whole.step_mm * 3, FINEST / 2);
    this.look({ from, to: Math.max(to, from + SHORTEST), low: low - room, high: high + room });
  }

  /** The last micrometres about a turning point. */
  near(p) {
    const contact = (this.whole.contact_to_s ?? this.whole.last_s) - (this.whole.contact_from_s ?? this.whole.first_s);
    const half = Math.max(2, contact / 10);
    const under = p.sense === 'min' ? 0.25 : 0.75;
    this.look({ from: p.t_s - half, to: p.t_s + half, low: p.value_mm - under * NEAR, high: p.value_mm + (1 - under) * NEAR });
  }

  pan(part) {
    const d = part * (this.win.to - this.win.from);
    this.look({ ...this.win, from: this.win.from + d, to: this.win.to + d });
  }

  stretch(by) {
    const length = this.whole.last_s - this.whole.first_s;
    const half = Math.min(Math.max((this.win.to - this.win.from) * by, SHORTEST), Math.max(length * 1.1, SHORTEST)) / 2;
    const middle = (this.win.from + this.win.to) / 2;
    this.look({ ...this.win, from: middle - half, to: middle + half });
  }

  /** Half or twice the height, about the turning point in sight that is nearest the middle, else the middle. */
  height(by) {
    const { from, to, low, high } = this.win;
    const inside = this.whole.points.filter((p) => p.t_s >= from && p.t_s <= to && p.value_mm >= low && p.value_mm <= high);
    const middle = (from + to) / 2;
    inside.sort((a, b) => Math.abs(a.t_s - middle) - Math.abs(b.t_s - middle));
    const hold = inside[0]?.value_mm ?? (low + high) / 2;
    const span = Math.max((high - low) * by, FINEST);
    const part = (hold - low) / (high - low);
    this.look({ from, to, low: hold - part * span, high: hold + (1 - part) * span });
  }

  key(e) {
    const f = {
      ArrowLeft: () => this.pan(-0.3), ArrowRight: () => this.pan(0.3), ArrowUp: () => this.height(0.5), ArrowDown: () => this.height(2),
      '+': () => this.stretch(0.5), '-': () => this.stretch(2), Home: () => this.all(),
    }[e.key];
    if (!f || e.ctrlKey || e.altKey || e.metaKey) return;
    e.preventDefault();
    f();
  }

  /** Looks at a window. It is kept in the address. */
  look(to, first) {
    const length = to.to - to.from;
    const from = Math.min(Math.max(to.from, this.whole.first_s - length * 0.9), this.whole.last_s - length * 0.1);
    this.win = { ...to, from, to: from + length };
    const um = (to.high - to.low) * 1000;
    const size = um >= 1000 ? `${(um / 1000).toPrecision(2)} mm` : `${um >= 100 ? um.toFixed(0) : um.toPrecision(2)} µm`;
    setText(this.scale, `Height ${size}, from ${this.win.from.toFixed(2)} s to ${this.win.to.toFixed(2)} s of the contact`);
    if (!first && document.body.dataset.after === 'captures' && this.plot.el.isConnected) {
      const q = new URLSearchParams({ from: from.toFixed(3), to: this.win.to.toFixed(3), low: to.low.toFixed(7), high: to.high.toFixed(7) });
      history.replaceState(null, '', `${location.hash.split('?')[0]}?${q}`);
    }
    this.plot.redraw();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.fetch(), 80);
  }

  /** Asks for the columns of the window; what is there stays in sight until then. */
  async fetch() {
    const { from, to } = this.win;
    const columns = Math.min(2000, Math.max(100, Math.round(this.plot.el.clientWidth)));
    const q = `columns=${columns}&from_s=${from.toFixed(6)}&to_s=${to.toFixed(6)}`;
    if (q === this.asked) return;
    this.asked = q;
    try {
      const e = await get(`${this.path}/envelope?${q}`);
      if (this.closed || q !== this.asked) return;
      this.envelope = e;
      this.plot.redraw();
    } catch (err) {
      if (!this.closed) setText(this.scale, err.message);
    }
  }

  draw(width, height) {
    const { from, to, low, high } = this.win;
    const x = (t) => LEFT + ((t - from) / (to - from)) * (width - LEFT - RIGHT);
    const y = (v) => height - BOTTOM - ((v - low) / (high - low)) * (height - TOP - BOTTOM);
    const out = [];
    const clip = `clip-${this.capture.id}`;
    out.push(s('clipPath', { id: clip }, s('rect', { x: LEFT, y: TOP, width: width - LEFT - RIGHT, height: height - TOP - BOTTOM })));
    // Outside the settled contact.
    const begin = this.whole.contact_from_s, end = this.whole.contact_to_s;
    if (begin !== undefined) {
      for (const [a, b] of [[from, Math.min(begin, to)], [Math.max(end, from), to]]) {
        if (b > a) out.push(s('rect', { class: 'outside', x: x(a), y: TOP, width: x(b) - x(a), height: height - TOP - BOTTOM }));
      }
    }
    const values = ticks(low, high, Math.max(2, Math.round(height / 70)));
    for (const v of values.values) {
      out.push(s('line', { class: 'rule', x1: LEFT, x2: width - RIGHT, y1: y(v), y2: y(v) }),
        s('text', { class: 'axis', x: LEFT - 8, y: y(v) + 5, 'text-anchor': 'end' }, bare(v, Math.max(values.decimals, 3))));
    }
    const times = ticks(from, to, Math.max(2, Math.round(width / 130)));
    for (const t of times.values) {
      out.push(s('line', { class: 'rule', x1: x(t), x2: x(t), y1: height - BOTTOM, y2: height - BOTTOM + 6 }),
        s('text', { class: 'axis', x: Math.min(x(t), width - 22), y: height - 8, 'text-anchor': 'middle' }, `${t.toFixed(times.decimals)} s`.replace('-', '\u2212')));
    }
    let d = '', pen = false, breaks = 0;
    for (const c of this.envelope.columns) {
      const px = x(c.t_s + this.envelope.column_s / 2).toFixed(1);
      if (c.broken && pen) {
        breaks++;
        out.push(s('line', { class: 'break', x1: px, x2: px, y1: TOP, y2: height - BOTTOM }));
      }
      d += `${c.broken || !pen ? 'M' : 'L'}${px} ${clampPx(y(c.min_mm))}L${px} ${clampPx(y(c.max_mm))}L${px} ${clampPx(y(c.last_mm))}`;
      pen = true;
    }
    out.push(s('path', { class: 'line', d, 'clip-path': `url(#${clip})` }));
    setText(this.missing, breaks ? `Readings are missing at ${breaks} ${breaks === 1 ? 'place' : 'places'} (dashed).` : '');
    show(this.missing, breaks > 0);
    const reading = this.capture.reading_mm;
    if (reading !== undefined && reading > low && reading < high) {
      out.push(s('line', { class: 'saddle', x1: LEFT, x2: width - RIGHT, y1: y(reading), y2: y(reading) }),
        label(width, LEFT + 4, y(reading) + 16, 'saddle', 'start'));
    }
    for (const b of this.turns) {
      if (b.t_s < from || b.t_s > to || b.value_mm < low || b.value_mm > high) continue;
      const hollow = marker('diamond', x(b.t_s), y(b.value_mm) + (b.sense === 'min' ? 11 : -11), 7, { class: 'turn' });
      hollow.append(s('title', {}, `${b.adjustment} turned back by the hand, ${length(b.value_mm)}`));
      out.push(hollow);
    }
    for (const p of this.whole.points) {
      if (p.t_s < from || p.t_s > to) continue;
      const inside = p.value_mm >= low && p.value_mm <= high;
      const px = x(p.t_s), py = inside ? y(p.value_mm) : p.value_mm > high ? TOP + 10 : height - BOTTOM - 10;
      const up = p.sense === 'min' ? 1 : -1;
      if (inside) out.push(s('line', { class: 'point-line', x1: LEFT, x2: width - RIGHT, y1: py, y2: py }));
      out.push(marker(p.sense === 'min' ? 'up' : 'down', px, py + up * 11, 8, { class: 'point' }));
      const text = inside ? `${pointName(p)} ${bare(p.value_mm)} ± ${uncertainty(p.u_mm)}` : `${pointName(p)} lies ${p.value_mm > high ? 'above' : 'below'}`;
      out.push(label(width, px, Math.min(Math.max(py + up * 34 + (up < 0 ? 4 : 0), TOP + 14), height - BOTTOM - 6), text, 'middle'));
    }
    this.plot.el.setAttribute('aria-label', `Trace from ${from.toFixed(1)} s to ${to.toFixed(1)} s`);
    return out;
  }
}

/** Far outside the picture a coordinate is cut, so that a path stays drawable. */
const clampPx = (v) => Math.min(Math.max(v, -4000), 8000).toFixed(1);

/** Words on the drawing, kept inside it. */
function label(width, x, y, text, anchor) {
  const half = text.length * 4.2;
  const at = anchor === 'middle' ? Math.min(Math.max(x, LEFT + half), width - RIGHT - half) : x;
  return s('text', { class: 'says', x: at, y, 'text-anchor': anchor }, text);
}
