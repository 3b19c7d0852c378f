// The ladder of the set: opening, work positions, closing, with what was captured
// at each and how far it spreads.
import { h, byId, setText, show } from './dom.js';
import { askReason } from './dialog.js';
import { act, again, confirmRing, lastGood, moveTo, redo, reject, relabel, resume, temperatures, who } from './acts.js';
import { micro, signedMicro, uncertainty, freedom, plain, roles, outcome, standing, status, clock, bare, prefs, length } from './format.js';

export function renderSet(app) {
  const { set } = app;
  show(byId('set'), set !== null);
  if (!set) return;
  const master = set.rings.find((r) => r.kind === 'master');
  const works = set.rings.filter((r) => r.kind === 'work').map((r) => r.ident);
  setText(byId('set-title'), `${works.join(', ')} against ${master?.ident ?? '?'}`);
  const done = set.steps.filter((s) => s.done).length;
  setText(byId('set-status'), `${status(set.status)}, ${done} of ${set.steps.length} steps, ${set.technician}, since ${clock(set.started)}`);
  // Buttons are made anew only if they change: a press must not miss one that was
  // replaced under the finger.
  const box = byId('actions');
  const key = JSON.stringify([set.id, set.status, set.waits, set.step, set.ended, who(app), lastGood(set)?.id]);
  if (box.dataset.key !== key) {
    box.dataset.key = key;
    box.replaceChildren(...actions(app));
  }
  byId('figures').replaceChildren(...figures(set));
  setText(byId('ladder-note'), `Diameters / ${prefs.unit} by the opening reference, uncorrected; those of the result are at 20 °C.`);
  show(byId('ladder-note'), set.steps.some((s) => s.diameter_by_opening_mm !== undefined));
  renderSteps(app);
  renderReservations(set);
  renderTemperatures(set);
}

function figures(set) {
  const out = [];
  const add = (term, text, mark) => out.push(h('div', { class: mark ?? '' }, h('dt', {}, term), h('dd', {}, text)));
  if (set.closing_difference_mm !== undefined) {
    const within = Math.abs(set.closing_difference_mm) <= set.closing_limit_mm;
    add('Closing minus opening', `${signedMicro(set.closing_difference_mm)}, limit ${micro(set.closing_limit_mm)}: ${within ? '✓ within' : '✗ beyond'}`, within ? 'good' : 'stop');
  } else {
    add('Closing limit', micro(set.closing_limit_mm));
  }
  add('Repeatability of one entry', set.repeatability ? `${uncertainty(set.repeatability.s_mm)}, ${freedom(set.repeatability.dof)}` : 'not known yet');
  return out;
}

function actions(app) {
  const { set } = app;
  const by = who(app);
  const base = `/sets/${set.id}`;
  const out = [];
  const button = (label, onclick, cls = 'plain') => out.push(h('button', { type: 'button', class: cls, onclick }, label));
  if (set.ended) return out;
  const reason = (title, text, confirm, path, more = {}, opts = {}) => () => askReason({
    title, text, confirm, by, ...opts, send: (body) => act(app, path, { ...body, ...more }),
  });
  if (set.waits !== 'close' && set.waits !== 'resume') button('Pause', reason('Pause the set', 'Captures made during the pause are kept and do not count.', 'Pause', base + '/pause', {}, { reasons: ['Break', 'Waiting for temperature'] }));
  button('Same again', () => again(app));
  const last = lastGood(set);
  if (last) button('Reject last', () => reject(app, last));
  const rare = [];
  const more = (label, onclick, cls = 'plain') => rare.push(h('button', { type: 'button', class: cls, onclick }, label));
  if (last) more('Relabel last', () => relabel(app, last));
  more('Temperatures', () => temperatures(app));
  more('Take by hand', () => askReason({
    title: 'Take the reading as it is now', confirm: 'Take it', by,
    text: 'For a reading that you judge to be the turning point yourself. It is marked as taken by hand for ever.',
    reasons: ['Not captured by itself'], send: (body) => act(app, base + '/manual-capture', body),
  }));
  more('Abort', reason('Abort the set', 'The set ends without a result. What was recorded stays.', 'Abort for good', base + '/abort', {}, { danger: true, reasons: ['Wrong ring', 'Bench out of order'] }), 'danger');
  const box = h('details', { class: 'more' }, h('summary', {}, 'More'), h('div', { class: 'row' }, rare));
  box.open = byId('actions').querySelector('details')?.open ?? false;
  out.push(box);
  return out;
}

const marks = { done: '✓', now: '▶', open: '○' };

function renderSteps(app) {
  const { set } = app;
  const ladder = byId('ladder');
  const opened = new Set([...ladder.querySelectorAll('details[open]')].map((d) => d.dataset.step));
  ladder.replaceChildren(...set.steps.map((s) => {
    const state = s.done ? 'done' : s.index === set.step && !set.ended ? 'now' : 'open';
    const words = { done: 'done', now: 'in hand', open: 'to do' }[state];
    const captures = set.captures.filter((c) => c.step === s.index);
    const li = h('li', { 'data-state': state, 'aria-current': state === 'now' ? 'step' : null });
    const value = s.diameter_by_opening_mm ?? null;
    const details = h('details', { 'data-step': String(s.index) },
      h('summary', {},
        h('span', { class: 'mark', 'aria-hidden': 'true' }, marks[state]),
        h('span', { class: 'sr' }, words),
        h('strong', { class: 'what' }, `${roles[s.role] ?? s.role} ${s.ident}`),
        h('strong', { class: 'value' }, value === null ? '' : bare(value)),
        h('span', { class: 'under quiet' },
          h('span', {}, `${plain(s.height_mm)} mm, ${plain(s.direction_deg)}°`),
          h('span', {}, `${s.got} of ${s.needed}` + (s.spread_mm === undefined ? '' : `, spread ${micro(s.spread_mm)}`)))),
      s.disagreement_mm === undefined ? null : h('p', { class: 'note' }, `Entries differ by ${micro(s.disagreement_mm)}; ${micro(s.agreement_limit_mm)} is allowed. ${s.done ? 'All are kept and used.' : 'One more is asked for; all are kept.'}`),
      captures.length === 0 ? h('p', { class: 'quiet' }, 'Nothing captured yet.') : h('ul', { class: 'captures' }, captures.map((c) => captureRow(app, c))),
      set.ended ? null : h('p', { class: 'row' },
        state === 'now' ? null : small('Go here next', () => moveTo(app, s.index)),
        state === 'now' && s.got === 0 ? null : small('One more here', () => again(app, s.index))));
    details.open = opened.has(String(s.index));
    li.append(details);
    return li;
  }));
  const now = ladder.querySelector('[data-state=now]');
  if (now && app.shownStep !== set.step) {
    app.shownStep = set.step;
    const r = now.getBoundingClientRect(), l = ladder.getBoundingClientRect();
    if (r.top < l.top || r.bottom > l.bottom) ladder.scrollTop += r.top - l.top - l.height / 3;
  }
}

function captureRow(app, c) {
  const counts = c.standing === 'used';
  const points = c.turning_points.map((p) => `${p.adjustment} ${p.sense === 'min' ? 'minimum' : 'maximum'} ${bare(p.value_mm)} ± ${uncertainty(p.u_mm)}`);
  return h('li', { 'data-standing': c.standing },
    h('p', {}, h('span', { class: 'mark', 'aria-hidden': 'true' }, counts ? '✓ ' : c.standing === 'rejected' ? '✗ ' : '• '),
      c.reading_mm === undefined ? h('strong', {}, outcome(c.outcome)) : h('span', {}, 'reading ', h('strong', {}, `${length(c.reading_mm)}`), ` ± ${uncertainty(c.u_mm)}`),
      `, ${clock(c.at)}, ${standing(c.standing)}`, c.manual && c.outcome !== 'manual' ? ', taken by hand' : ''),
    points.length ? h('p', { class: 'quiet' }, points.join('; ')) : null,
    c.why && !counts ? h('p', { class: 'quiet' }, c.why) : null,
    c.reasons.map((r) => h('p', { class: 'quiet' }, r.text)),
    h('p', { class: 'row' },
      h('a', { href: `#/captures/${c.id}` }, 'Look at the trace'),
      h('a', { href: c.trace, download: '' }, 'Raw trace (CSV)'),
      app.set.ended || c.rejected_by ? null : [small('Reject', () => reject(app, c)), small('Relabel', () => relabel(app, c))],
      app.set.ended || c.step < 0 ? null : small('Redo', () => redo(app, c))));
}

const small = (label, onclick) => h('button', { type: 'button', class: 'plain small', onclick }, label);

function renderReservations(set) {
  const box = byId('reservations');
  if (set.reservations.length === 0) {
    box.replaceChildren();
    return;
  }
  box.replaceChildren(h('h3', {}, 'To be known with the result'), h('ul', { class: 'notes' }, set.reservations.map((r) => h('li', {}, r.text))));
}

function renderTemperatures(set) {
  const ident = (id) => (id === '' ? 'Scale' : set.rings.find((r) => r.id === id)?.ident ?? id);
  const newest = new Map();
  for (const t of set.temperatures) newest.set(t.ring_id, t);
  const box = byId('temperatures');
  const list = [...newest.values()].map((t) => h('li', {}, `${ident(t.ring_id)} ${t.celsius.toFixed(2)} °C, ${clock(t.at)}`));
  box.replaceChildren(h('h3', {}, 'Temperatures'), list.length ? h('ul', { class: 'notes' }, list) : h('p', { class: 'quiet' }, 'None recorded: 20 °C is assumed, with a wide uncertainty.'));
}

/** The buttons in the band of the step: confirm the ring, answer the question. */
export function renderAsks(app) {
  const box = byId('asks');
  const { set } = app;
  const key = set ? `${set.id} ${set.ended ?? ''} ${set.waits} ${set.confirm_ring} ${set.question?.seq ?? ''}` : '';
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren();
  if (!set) return;
  if (set.ended) {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.leaveSet() }, 'Start another set'));
    return;
  }
  const by = who(app);
  if (set.waits === 'confirm_ring') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => confirmRing(app)) }, `Yes, it says ${set.confirm_ident}`));
  } else if (set.waits === 'answer' && set.question) {
    const reply = (accept) => () => app.attempt(() => act(app, `/sets/${set.id}/answer`, { by, accept, capture_id: set.question.capture_id }));
    box.append(h('button', { type: 'button', class: 'primary big', onclick: reply(true) }, set.question.capture_id ? 'Yes, keep the capture' : 'Yes, go on'),
      h('button', { type: 'button', class: 'danger big', onclick: reply(false) }, set.question.capture_id ? 'No, reject the capture' : 'No, pause the set'));
  } else if (set.waits === 'resume') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => resume(app)) }, 'Go on'));
  } else if (set.waits === 'close') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => act(app, `/sets/${set.id}/close`, { by })) }, 'Close the set'));
  }
}
