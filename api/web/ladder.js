// The ladder of the set: opening, work positions, closing, with what was captured
// at each and how far it spreads.
import { h, byId, setText, show, field } from './dom.js';
import { post } from './client.js';
import { ask, askReason } from './dialog.js';
import { mm, micro, signedMicro, uncertainty, freedom, plain, roles, outcome, standing, status, clock } from './format.js';

const rejectReasons = ['Ring not clean', 'Ring moved', 'Wrong position', 'Bench was knocked'];

/** Who acts: the name of the set's technician unless somebody else said so since. */
const who = (app) => app.actor || app.set.technician;

const act = (app, path, body) => post(path, body).then((set) => {
  app.actor = body.by || app.actor;
  app.showSet(set);
  return set;
});

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
  if (set.ended) {
    button('Start another set', () => app.leaveSet(), 'primary');
    return out;
  }
  const reason = (title, text, confirm, path, more = {}, opts = {}) => () => askReason({
    title, text, confirm, by, ...opts, send: (body) => act(app, path, { ...body, ...more }),
  });
  if (set.waits !== 'close' && set.waits !== 'resume') button('Pause', reason('Pause the set', 'Captures made during the pause are kept and do not count.', 'Pause', base + '/pause', {}, { reasons: ['Break', 'Waiting for temperature'] }));
  button('Same again', reason('One more entry here', 'All entries are kept and used.', 'Ask for one more', base + '/same-again',
    set.step < set.steps.length ? { step: set.step } : { step: set.steps.length - 1 }, { reasons: ['Not sure of the seat', 'Spread too large'] }));
  const last = lastGood(set);
  if (last) button('Reject last', () => reject(app, last));
  const rare = [];
  const more = (label, onclick, cls = 'plain') => rare.push(h('button', { type: 'button', class: cls, onclick }, label));
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

const lastGood = (set) => [...set.captures].reverse().find((c) => c.standing === 'used' || c.standing === 'pending_withdrawal');

function reject(app, capture) {
  return askReason({
    title: 'Reject this capture', danger: true, confirm: 'Reject', by: who(app), reasons: rejectReasons,
    text: `${app.set.steps[capture.step]?.title ?? 'Outside the plan'}, ${capture.reading_mm === undefined ? outcome(capture.outcome) : mm(capture.reading_mm) + ' mm'}. It stays in the record and is not used.`,
    send: (body) => act(app, `/captures/${capture.id}/reject`, body),
  });
}

function temperatures(app) {
  const { set } = app;
  const inputs = [];
  const input = (id, label) => {
    const control = h('input', { type: 'number', step: '0.01', min: 0, max: 40, inputmode: 'decimal' });
    inputs.push({ id, control });
    return field(label, control);
  };
  const by = h('input', { type: 'text', required: true, maxlength: 100, value: who(app) });
  return ask({
    title: 'Record temperatures', confirm: 'Record',
    text: 'In °C, as read just now. Leave empty what you did not read.',
    fields: [
      ...set.rings.map((r) => input(r.id, `${r.kind === 'master' ? 'Master' : 'Work'} ring ${r.ident}`)),
      input('', 'Scale of the instrument'), field('Your name', by),
    ],
    submit: () => act(app, `/sets/${set.id}/temperatures`, {
      by: by.value.trim(),
      temperatures: inputs.filter((i) => i.control.value !== '').map((i) => ({ ring_id: i.id, celsius: Number(i.control.value) })),
    }),
  });
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
        h('strong', { class: 'value' }, value === null ? '' : mm(value)),
        h('span', { class: 'under quiet' },
          h('span', {}, `${plain(s.height_mm)} mm, ${plain(s.direction_deg)}°`),
          h('span', {}, `${s.got} of ${s.needed}` + (s.spread_mm === undefined ? '' : `, spread ${micro(s.spread_mm)}`)))),
      s.disagreement_mm === undefined ? null : h('p', { class: 'note' }, `Entries differ by ${micro(s.disagreement_mm)}; ${micro(s.agreement_limit_mm)} is allowed. ${s.done ? 'All are kept and used.' : 'One more is asked for; all are kept.'}`),
      captures.length === 0 ? h('p', { class: 'quiet' }, 'Nothing captured yet.') : h('ul', { class: 'captures' }, captures.map((c) => captureRow(app, c))));
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
  const points = c.turning_points.map((p) => `${p.adjustment} ${p.sense === 'min' ? 'minimum' : 'maximum'} ${mm(p.value_mm)} ± ${uncertainty(p.u_mm)}`);
  return h('li', { 'data-standing': c.standing },
    h('p', {}, h('span', { class: 'mark', 'aria-hidden': 'true' }, counts ? '✓ ' : c.standing === 'rejected' ? '✗ ' : '• '),
      c.reading_mm === undefined ? h('strong', {}, outcome(c.outcome)) : h('span', {}, 'reading ', h('strong', {}, `${mm(c.reading_mm)} mm`), ` ± ${uncertainty(c.u_mm)}`),
      `, ${clock(c.at)}, ${standing(c.standing)}`, c.manual && c.outcome !== 'manual' ? ', taken by hand' : ''),
    points.length ? h('p', { class: 'quiet' }, points.join('; ')) : null,
    c.why && !counts ? h('p', { class: 'quiet' }, c.why) : null,
    c.reasons.map((r) => h('p', { class: 'quiet' }, r.text)),
    h('p', { class: 'row' },
      h('a', { href: `#/captures/${c.id}` }, 'Look at the trace'),
      h('a', { href: c.trace, download: '' }, 'Raw trace (CSV)'),
      app.set.ended || c.rejected_by ? null : h('button', { type: 'button', class: 'plain small', onclick: () => reject(app, c) }, 'Reject'),
      app.set.ended || c.step < 0 ? null : h('button', { type: 'button', class: 'plain small', onclick: () => askReason({
        title: 'Measure this position again', confirm: 'Go there next', by: who(app), reasons: ['Not sure of the seat', 'Doubtful value'],
        text: 'One more entry is asked for here. This capture is kept and used unless you reject it.',
        send: (body) => act(app, `/captures/${c.id}/redo`, body),
      }) }, 'Redo')));
}

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
  const key = set ? `${set.id} ${set.waits} ${set.confirm_ring} ${set.question?.seq ?? ''}` : '';
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren();
  if (!set || set.ended) return;
  const by = who(app);
  if (set.waits === 'confirm_ring') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => act(app, `/sets/${set.id}/confirm-ring`, { by, ring_id: set.confirm_ring })) },
      `Yes, it says ${set.confirm_ident}`));
  } else if (set.waits === 'answer' && set.question) {
    const reply = (accept) => () => app.attempt(() => act(app, `/sets/${set.id}/answer`, { by, accept, capture_id: set.question.capture_id }));
    box.append(h('button', { type: 'button', class: 'primary big', onclick: reply(true) }, set.question.capture_id ? 'Yes, keep the capture' : 'Yes, go on'),
      h('button', { type: 'button', class: 'danger big', onclick: reply(false) }, set.question.capture_id ? 'No, reject the capture' : 'No, pause the set'));
  } else if (set.waits === 'resume') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => act(app, `/sets/${set.id}/resume`, { by })) }, 'Go on'));
  } else if (set.waits === 'close') {
    box.append(h('button', { type: 'button', class: 'primary big', onclick: () => app.attempt(() => act(app, `/sets/${set.id}/close`, { by })) }, 'Close the set'));
  }
}
