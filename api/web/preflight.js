// What is looked at before a set: cleanliness, force, carriage, temperature. The
// person ticks; the page only counts the minutes and compares the temperatures.
import { h, field, remember, setText } from './dom.js';

const points = [
  ['clean', 'Rings and contacts are clean; rings looked over for burrs'],
  ['force', 'Measuring force is set as for every set on this bench'],
  ['unlocked', 'Carriage is unlocked after mounting, table moves freely'],
  ['soaked', 'Rings have soaked beside the bench long enough'],
];

// The criterion of the soak: the minutes asked for are over since the rings were laid
// on, and, where temperatures were noted, the newest note differs from an older one
// (10 minutes at least) by no more than 0.1 K at any place. Common practice, no source;
// the laboratory's procedure goes before it.
const STEADY_K = 0.1, APART_MIN = 10;
const MINUTE = 60000;

/** How the soak stands: minutes since laid on, whether steady (null: not known), and all in words. */
export function soakOf(soak, now) {
  if (!soak.since) return { over: false, text: 'Not started: press when rings and bench are together.' };
  const minutes = Math.floor((now - soak.since) / MINUTE);
  const notes = soak.notes ?? [];
  const last = notes.at(-1);
  const old = last && [...notes].reverse().find((n) => last.at - n.at >= APART_MIN * MINUTE);
  let steady = null, words = `no two temperatures ${APART_MIN} min apart were noted`;
  if (old) {
    const both = ['master', 'work', 'scale'].filter((k) => last[k] !== '' && old[k] !== '');
    const change = Math.max(...both.map((k) => Math.abs(last[k] - old[k])));
    if (both.length > 0) {
      steady = change <= STEADY_K + 1e-9;
      words = `${steady ? 'steady' : 'not steady'}: ${change.toFixed(2)} K in ${Math.round((last.at - old.at) / MINUTE)} min, ${STEADY_K} K allowed`;
    }
  }
  const over = minutes >= soak.wanted && steady !== false;
  return { over, minutes, steady, text: `${over ? '✓' : '○'} ${minutes} of ${soak.wanted} min; ${words}.` };
}

/** The list with the soak timer; before: the boxes that were ticked; readings gives the temperatures typed in the form. */
export function preflight(app, before, readings) {
  const key = 'soak.' + app.station;
  let soak = { wanted: 60, since: 0, notes: [], ...remember.get(key) };
  const keep = () => remember.set(key, soak);
  const boxes = points.map(([id, text]) => ({ id, box: h('input', { type: 'checkbox', id: 'check-' + id, checked: before.includes(id) }), text }));
  const state = h('p', { class: 'soak', role: 'status' });
  const wanted = h('input', { type: 'number', min: 0, max: 1440, step: 5, value: soak.wanted });
  const draw = () => setText(state, soakOf(soak, Date.now()).text);
  wanted.addEventListener('input', () => { soak.wanted = Number(wanted.value) || 0; keep(); draw(); });
  const laid = h('button', { type: 'button', class: 'plain small', onclick: () => { soak = { ...soak, since: Date.now(), notes: [] }; keep(); draw(); } }, 'Laid on now');
  const note = h('button', { type: 'button', class: 'plain small', onclick: () => {
    const r = readings();
    if (Object.values(r).every((v) => v === '')) {
      setText(state, 'Type the temperatures above first.');
      return;
    }
    soak.notes = [...soak.notes.slice(-19), { at: Date.now(), ...r }];
    keep();
    draw();
  } }, 'Note these temperatures');
  const timer = setInterval(() => (state.isConnected ? draw() : clearInterval(timer)), 20000);
  draw();
  const element = h('fieldset', { class: 'checks' }, h('legend', {}, 'Before you start'),
    boxes.map(({ box, text }) => h('label', { class: 'check' }, box, ' ', text)),
    h('div', { class: 'row' }, h('strong', {}, 'Soak'), laid, note, field('Minutes asked for', wanted)),
    state,
    h('p', { class: 'hint' }, `Soaked is: the minutes are over, and temperatures noted ${APART_MIN} min apart or more differ by no more than ${STEADY_K} K. Your laboratory\u2019s procedure goes before this rule.`),
    h('p', { class: 'caution' }, 'The carriage is spring-loaded: keep fingers out from between contacts and ring, and let it touch gently. Lock it while you mount. Support heavy rings with both hands, or with a lifting aid, until they lie on the table. Your laboratory\u2019s procedures come first.'));
  return {
    element,
    boxes: () => boxes.filter((b) => b.box.checked).map((b) => b.id),
    ticked: () => {
      const list = boxes.filter((b) => b.box.checked).map((b) => b.id);
      const s = soakOf(soak, Date.now());
      if (soak.since) list.push(`soaked ${s.minutes} of ${soak.wanted} min` + (s.steady === null ? '' : s.steady ? ', steady' : ', not steady'));
      return list;
    },
  };
}
