// Hands-free keys: a pedal or a wireless button is a keyboard with one key. Each
// station has its own keys, remembered by the browser. A code reader types an ident
// faster than a hand can, and ends it with Enter.
import { byId, h, field, remember, setText } from './dom.js';
import { prefs } from './format.js';
import { ask } from './dialog.js';
import { act, confirmRing, lastGood, reject, relabel, resume, who } from './acts.js';

const FAST = 60;      // ms between two characters of a reader; a hand needs more
const SHORTEST = 3;   // characters of an ident that count as read
const actions = [
  ['next', 'Next', 'Confirms the ring, ends a pause, or goes to the next step that is not done. It answers no question and closes no set.'],
  ['again', 'Same again', 'One more entry at the step in hand.'],
  ['reject', 'Reject last', 'Opens the list of reasons; the same key goes down the list, Next rejects.'],
  ['relabel', 'Relabel last', 'Opens the list of steps; the same key goes down the list, Next takes it.'],
];
const taken = ['Enter', 'Tab', 'Escape', ' ', 'Shift', 'Control', 'Alt', 'Meta', 'CapsLock', 'Dead', 'Unidentified', 'Process'];

const keysOf = (app) => remember.get('keys.' + app.station) ?? {};
const typing = (e) => e.target.closest?.('input:not([type=range]):not([type=checkbox]), select, textarea, [contenteditable]');
const nameOf = (key) => (key.length === 1 ? key.toUpperCase() : key);

/** Hears the keys of the page for good. */
export function listen(app) {
  let burst = '', last = -Infinity, waiting = 0;
  document.addEventListener('keydown', (e) => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.repeat || e.isComposing || typing(e) || byId('dialog').open) {
      burst = '';
      return;
    }
    clearTimeout(waiting); // a character that goes on is a reader's
    const fast = e.timeStamp - last < FAST;
    last = e.timeStamp;
    if (e.key === 'Enter') {
      if (fast && burst.length >= SHORTEST) {
        e.preventDefault(); // not a press of the button that has the focus
        read(app, burst.trim());
      }
      burst = '';
      return;
    }
    if (e.key === 'Shift') return; // a reader presses it for capitals
    burst = e.key.length === 1 ? (fast ? burst : '') + e.key : '';
    const name = actions.map(([id]) => id).find((id) => keysOf(app)[id] === e.key);
    if (!name || !app.set || app.set.ended) return;
    if (e.key.length > 1) {
      e.preventDefault();
      run(app, name);
    } else if (burst.length === 1) {
      waiting = setTimeout(() => { burst = ''; run(app, name); }, FAST + 20);
    }
  });
}

/** Takes what a reader typed: it confirms the ring that is asked for, or says no. */
function read(app, code) {
  const { set } = app;
  if (set?.waits !== 'confirm_ring') return;
  if (code.toUpperCase() === set.confirm_ident.toUpperCase()) app.attempt(() => confirmRing(app));
  else app.cues.tell('stop', `The code says ${code}, wanted is ${set.confirm_ident}`);
}

function run(app, name) {
  const { set } = app;
  const keys = keysOf(app), last = lastGood(set);
  const refuse = (text) => app.cues.tell('again', text);
  const send = (path, body, said) => app.attempt(async () => { await act(app, path, { by: who(app), ...body }); app.cues.tell('key', said); });
  switch (name) {
    case 'next': {
      if (set.waits === 'confirm_ring') return app.attempt(() => confirmRing(app));
      if (set.waits === 'resume') return app.attempt(() => resume(app));
      if (set.waits === 'answer') return refuse('Please answer on the screen');
      const to = [...set.steps.slice(set.step + 1), ...set.steps.slice(0, set.step)].find((s) => !s.done);
      if (!to || set.waits === 'close') return refuse('Please close on the screen');
      return send(`/sets/${set.id}/move`, { step: to.index, reason: 'Key "next"' }, `Next: ${to.title}`);
    }
    case 'again':
      return send(`/sets/${set.id}/same-again`, { step: Math.min(set.step, set.steps.length - 1), reason: 'Key "same again"' }, 'One more entry here');
    case 'reject':
      return last ? reject(app, last, { on: keys.reject, take: keys.next }) : refuse('Nothing to reject');
    case 'relabel':
      return last ? relabel(app, last, { on: keys.relabel, take: keys.next }) : refuse('Nothing to relabel');
  }
  return undefined;
}

/** The fields in which the person picks the keys, and what takes them over. */
export function keyFields(app) {
  const keys = { ...keysOf(app) };
  const fields = actions.map(([id, label, hint]) => {
    const word = h('output', { class: 'keyname' });
    const note = h('span', { class: 'quiet', role: 'status' });
    const draw = () => setText(word, keys[id] ? nameOf(keys[id]) : 'none');
    const pick = h('button', { type: 'button', class: 'plain small', onclick: () => {
      setText(note, 'Press the key or the pedal now');
      pick.addEventListener('keydown', (e) => {
        e.preventDefault();
        e.stopPropagation();
        const other = actions.find(([o]) => o !== id && keys[o] === e.key);
        if (taken.includes(e.key)) return setText(note, `${e.key === ' ' ? 'Space' : e.key} works the page: choose another`);
        if (other) return setText(note, `${nameOf(e.key)} is taken by ${other[1]}`);
        keys[id] = e.key;
        setText(note, '');
        return draw();
      }, { once: true });
    } }, 'Pick');
    const none = h('button', { type: 'button', class: 'plain small', onclick: () => { delete keys[id]; draw(); } }, 'None');
    pick.setAttribute('aria-label', `Pick the key for ${label}`);
    none.setAttribute('aria-label', `None for ${label}`);
    draw();
    return h('div', { class: 'keyrow' }, h('strong', {}, label), word, pick, none, note, h('p', { class: 'hint' }, hint));
  });
  return { fields: [h('fieldset', {}, h('legend', {}, 'Keys and pedals of this bench'), fields)], save: () => remember.set('keys.' + app.station, keys) };
}

/** The unit of the live display. Results and forms stay in millimetres. */
export function unitField(changed) {
  const unit = h('select', {}, h('option', { value: 'mm' }, 'Millimetres'), h('option', { value: 'in' }, 'Inches'));
  unit.value = prefs.unit;
  return {
    fields: [field('Unit of the reading and the trace', unit, 'Results, ladder and forms stay in millimetres.')],
    save: () => { remember.set('unit', prefs.unit = unit.value); changed(); },
  };
}

/** The settings of this page. */
export function settings(app, parts = []) {
  const all = [...parts, keyFields(app)];
  return ask({
    title: 'Settings of this page', confirm: 'Keep', fields: all.flatMap((p) => p.fields),
    text: 'They are remembered by this browser, the keys for this bench.',
    submit: () => all.forEach((p) => p.save()),
  });
}
