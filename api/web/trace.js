// The live trace: envelopes of the contact in progress, drawn at most once per
// frame of the screen from a bounded number of points. The height follows the last
// seconds, so that the last micrometres fill it; what lies outside is marked at the
// edge.
import { byId, h, setText, show } from './dom.js';
import { bare, length, uncertainty } from './format.js';

const MAX = 4096;        // columns kept
const RECENT = 6;        // seconds that decide the height
const WINDOW = 45;       // seconds shown
const RULES = [1, 2, 5, 10];            // round steps of the rules
const SPANS = [1, 1.5, 2, 3, 4, 6, 8, 10]; // and of the height
const MIN_SPAN = 0.0006; // mm: 0.6 µm fill the height at least

export class Trace {
  constructor(canvas) {
    this.canvas = canvas;
    this.ctx = canvas.getContext('2d');
    this.columns = [];
    this.points = [];
    this.backs = [];
    this.resolution = 0; // mm
    this.frame = null;
    this.span = 0.01;
    this.marks = [];     // drawn last: kind and place on the canvas
    this.draws = 0;      // counted for whoever wants to know how often
    this.pending = false;
    this.pointKey = '';
    new ResizeObserver(() => this.request()).observe(canvas);
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.request());
  }

  reset(doc) {
    this.columns = doc.columns.slice(-MAX);
    this.stream = doc.stream;
    this.resolution = doc.resolution_mm ?? 0;
    this.request();
  }

  live(frame) {
    if (frame.stream !== this.stream) {
      this.columns = [];
      this.stream = frame.stream;
    }
    const last = this.columns.at(-1)?.seq ?? 0;
    for (const c of frame.columns) if (c.seq > last) this.columns.push(c);
    if (this.columns.length > MAX) this.columns.splice(0, this.columns.length - MAX);
    this.frame = frame;
    this.points = frame.points;
    this.backs = frame.turn_backs ?? [];
    show(byId('legend'), this.backs.length > 0);
    this.listPoints();
    this.request();
  }

  request() {
    if (this.pending) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.draw();
    });
  }

  listPoints() {
    const key = JSON.stringify(this.points);
    if (key === this.pointKey) return;
    this.pointKey = key;
    byId('points').replaceChildren(...this.points.map((p) => h('li', {},
      h('span', { 'aria-hidden': 'true', class: 'mark' }, p.sense === 'min' ? '▲' : '▼'),
      ` ${name(p)} ${length(p.value_mm)} ± ${uncertainty(p.u_mm)}, `,
      `${p.crossings} ${p.crossings === 1 ? 'pass' : 'passes'}`)));
  }

  /** The columns of the contact, or of the last seconds if there is none. */
  visible() {
    const seq = this.frame?.contact_seq ?? 0;
    const end = this.columns.at(-1)?.t_s ?? 0;
    let i = this.columns.length;
    while (i > 0) {
      const c = this.columns[i - 1];
      if (end - c.t_s > WINDOW || (seq && c.seq < seq)) break;
      i--;
    }
    return this.columns.slice(i);
  }

  draw() {
    this.draws++;
    this.marks = [];
    const { canvas, ctx } = this;
    const ratio = Math.min(devicePixelRatio || 1, 2);
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, width, height);
    const css = getComputedStyle(canvas);
    const ink = css.getPropertyValue('--ink').trim(), quiet = css.getPropertyValue('--quiet').trim();
    const line = css.getPropertyValue('--act').trim(), grid = css.getPropertyValue('--line').trim();
    const good = css.getPropertyValue('--good').trim(), panel = css.getPropertyValue('--panel').trim();
    ctx.font = '15px system-ui, sans-serif';
    const cols = this.visible();
    if (cols.length < 2) {
      ctx.fillStyle = quiet;
      ctx.fillText('Waiting for readings.', 16, 28);
      setText(byId('scale'), '');
      return;
    }
    const inContact = this.frame?.contact_seq > 0;
    const end = cols.at(-1).t_s;
    const seconds = Math.max(10, end - cols[0].t_s);
    const view = this.view = this.range(cols, end, inContact);
    const left = 84, right = 18, top = 14, bottom = 14;
    const x = (t) => width - right - ((end - t) / seconds) * (width - left - right);
    const y = (v) => height - bottom - ((v - view.low) / (view.high - view.low)) * (height - top - bottom);

    // Rules, each a round number of micrometres from the best value.
    const step = round((view.high - view.low) / 5);
    const decimals = Math.max(0, Math.min(7, Math.ceil(-Math.log10(step) - 1e-9)));
    ctx.strokeStyle = grid;
    ctx.fillStyle = quiet;
    ctx.lineWidth = 1;
    for (let v = Math.ceil(view.low / step) * step; v < view.high; v += step) {
      const py = Math.round(y(v)) + 0.5;
      ctx.beginPath();
      ctx.moveTo(0, py);
      ctx.lineTo(width, py);
      ctx.stroke();
      ctx.fillText(bare(v, Math.max(decimals, 3)), 8, py - 4);
    }

    // Envelope.
    ctx.strokeStyle = line;
    ctx.lineWidth = 2.5;
    ctx.lineJoin = 'round';
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top - 8, width - left, height - top - bottom + 16);
    ctx.clip();
    ctx.beginPath();
    let pen = false;
    for (const c of cols) {
      const px = x(c.t_s);
      if (c.broken || !pen) ctx.moveTo(px, y(c.min_mm));
      ctx.lineTo(px, y(c.min_mm));
      ctx.lineTo(px, y(c.max_mm));
      ctx.lineTo(px, y(c.last_mm));
      pen = true;
    }
    ctx.stroke();
    ctx.restore();

    // The newest reading, or an arrow where it lies outside.
    const now = cols.at(-1).last_mm;
    ctx.fillStyle = ink;
    if (now > view.high || now < view.low) {
      ctx.textAlign = 'right';
      ctx.fillText(now > view.high ? '▲ above' : '▼ below', width - right, now > view.high ? top + 14 : height - bottom - 4);
      ctx.textAlign = 'left';
    } else {
      ctx.beginPath();
      ctx.arc(x(end), y(now), 6, 0, 2 * Math.PI);
      ctx.fill();
    }

    // Turning points: a line across at the value, a mark at its time, words beside.
    for (const p of this.points) {
      const inside = p.value_mm >= view.low && p.value_mm <= view.high;
      const py = inside ? y(p.value_mm) : p.value_mm > view.high ? top : height - bottom;
      const px = Math.min(Math.max(x(p.t_s), left + 10), width - right - 10);
      this.marks.push({ kind: 'turning point', x: px, y: py });
      ctx.strokeStyle = good;
      ctx.fillStyle = good;
      ctx.lineWidth = 2;
      if (inside) {
        ctx.setLineDash([8, 6]);
        ctx.beginPath();
        ctx.moveTo(left, py);
        ctx.lineTo(width, py);
        ctx.stroke();
        ctx.setLineDash([]);
      }
      ctx.beginPath();
      const up = p.sense === 'min' ? 1 : -1;
      ctx.moveTo(px, py + up * 3);
      ctx.lineTo(px - 9, py + up * 19);
      ctx.lineTo(px + 9, py + up * 19);
      ctx.fill();
      const label = `${name(p)} ${bare(p.value_mm)} ± ${uncertainty(p.u_mm)}`;
      const w = ctx.measureText(label).width;
      const lx = Math.min(Math.max(px - w / 2, left), width - right - w);
      const ly = Math.min(Math.max(py + up * 38 + (up < 0 ? 4 : 0), 18), height - 8);
      ctx.fillStyle = panel;
      ctx.fillRect(lx - 5, ly - 16, w + 10, 22);
      ctx.fillStyle = ink;
      ctx.fillText(label, lx, ly);
    }
    // Turn-backs: a hollow diamond and no value, for they mean none.
    ctx.strokeStyle = ink;
    ctx.fillStyle = panel;
    ctx.lineWidth = 2.5;
    for (const b of this.backs) {
      if (b.value_mm < view.low || b.value_mm > view.high || b.t_s < cols[0].t_s) continue;
      const px = x(b.t_s), py = y(b.value_mm);
      this.marks.push({ kind: 'turn-back', x: px, y: py });
      ctx.beginPath();
      ctx.moveTo(px, py - 9);
      ctx.lineTo(px + 9, py);
      ctx.lineTo(px, py + 9);
      ctx.lineTo(px - 9, py);
      ctx.closePath();
      ctx.fill();
      ctx.stroke();
    }
    const um = (view.high - view.low) * 1000;
    const size = um >= 1000 ? `${(um / 1000).toPrecision(2)} mm` : `${um >= 100 ? um.toFixed(0) : um.toPrecision(2)} µm`;
    setText(byId('scale'), `Height ${size}, last ${seconds.toFixed(0)} s`);
    canvas.setAttribute('aria-label', `Trace of the ${inContact ? 'contact in progress' : 'last seconds'}; height ${size}`);
  }

  /** The span of values that fills the height. It changes in round steps, to stay calm. */
  range(cols, end, inContact) {
    let low = Infinity, high = -Infinity;
    for (let i = cols.length - 1; i >= 0 && end - cols[i].t_s <= RECENT; i--) {
      low = Math.min(low, cols[i].min_mm);
      high = Math.max(high, cols[i].max_mm);
    }
    if (inContact) {
      // Keep a caught value in view if it is near what the hand does now.
      const near = Math.max(high - low, MIN_SPAN) * 2;
      for (const p of this.points) {
        if (p.value_mm > low - near && p.value_mm < high + near) {
          low = Math.min(low, p.value_mm);
          high = Math.max(high, p.value_mm);
        }
      }
    }
    const need = Math.max((high - low) * 1.15, MIN_SPAN, 6 * this.resolution);
    if (need > this.span || need < this.span / 1.8) this.span = round(need, SPANS);
    const middle = (low + high) / 2;
    const quantum = this.span / 20;
    const centre = Math.round(middle / quantum) * quantum;
    return { low: centre - this.span / 2, high: centre + this.span / 2 };
  }
}

const name = (p) => `${p.adjustment} ${p.sense === 'min' ? 'minimum' : 'maximum'}`;

/** The smallest round number (one of steps times a power of ten) not below v. */
function round(v, steps = RULES) {
  const power = 10 ** Math.floor(Math.log10(v));
  for (const m of steps) if (v <= m * power * 1.0001) return m * power;
  return 10 * power;
}
