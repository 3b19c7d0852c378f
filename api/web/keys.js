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
    const { said } = app; // what the person has just read
    const name = actions.map(([id]) => id).find((id) => keysOf(app)[id] === e.key);
    if (!name || !said?.set_id || said.waits === 'nothing') return;
    if (e.key.length > 1) {
      e.preventDefault();
      run(app, said, name);
    } else if (burst.length === 1) {
      waiting = setTimeout(() => { burst = ''; run(app, said, name); }, FAST + 20);
    }
  });
}

/**
 * Does what a press asks for. It was decided on the sentence on the page, so it acts
 * on the set as the sentence has it; if that has passed, the person looks again,
 * except where a list opens that says what it is about. A press while another is under
 * way is none.
 */
async function decided(app, said, lists, f) {
  if (app.pressed || said.set_id === app.left) return;
  app.pressed = true;
  try {
    await app.attempt(async () => {
      const { set, same } = await app.asSaid(said);
      if (set && (same || lists)) await f(set);
      else app.cues.tell('again', 'It has just changed: look, then press again');
    });
  } finally {
    app.pressed = false;
  }
}

/** Takes what a reader typed: it confirms the ring that is asked for, or says no. */
function read(app, code) {
  const { said } = app;
  if (said?.waits !== 'confirm_ring') return;
  if (code.toUpperCase() === said.ident.toUpperCase()) decided(app, said, false, () => confirmRing(app));
  else app.cues.tell('stop', `The code says ${code}, wanted is ${said.ident}`);
}

const run = (app, said, name) => decided(app, said, name === 'reject' || name === 'relabel', (set) => {
  const keys = keysOf(app), last = lastGood(set);
  const refuse = (text) => app.cues.tell('again', text);
  const send = async (path, body, said) => { await act(app, path, { by: who(app), ...body }); app.cues.tell('key', said); };
  switch (name) {
    case 'next': {
      if (set.waits === 'confirm_ring') return confirmRing(app);
      if (set.waits === 'resume') return resume(app);
      if (set.waits === 'answer') return refuse('Please answer on the screen');
      const to = [...set.steps.slice(set.step + 1), ...set.steps.slice(0, set.step)].find((s) => !s.done);
      if (!to || set.waits === 'close') return refuse('Please close on the screen');
      return send(`/sets/${set.id}/move`, { step: to.index, reason: 'Key "next"' }, `Next: ${to.title}`);
    }
    case 'again':
      return send(`/sets/${set.id}/same-again`, { step: Math.min(set.step, set.steps.length - 1), reason: 'Key "same again"' }, 'One more entry here');
    // The lists are not waited for: in the dialog keys mean something else.
    case 'reject':
      last ? reject(app, last, { on: keys.reject, take: keys.next }) : refuse('Nothing to reject');
      return undefined;
    case 'relabel':
      last ? relabel(app, last, { on: keys.relabel, take: keys.next }) : refuse('Nothing to relabel');
      return undefined;
  }
  return undefined;
});

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

/** The unit of what is measured. What is declared or certified stays in millimetres. */
export function unitField(changed) {
  const unit = h('select', {}, h('option', { value: 'mm' }, 'Millimetres'), h('option', { value: 'in' }, 'Inches'));
  unit.value = prefs.unit;
  return {
    fields: [field('Unit of the reading, the trace and the results', unit, 'Heights, certificates, forms and sentences of the daemon stay in millimetres.')],
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
