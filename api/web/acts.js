// What a person may do to a set: each with a name, most with a reason.
import { h, field } from './dom.js';
import { post } from './client.js';
import { ask, askReason } from './dialog.js';
import { outcome, length } from './format.js';

const rejectReasons = ['Ring not clean', 'Ring moved', 'Wrong position', 'Bench was knocked'];

/** Who acts: the name of the set's technician unless somebody else said so since. */
export const who = (app) => app.actor || app.set.technician;

export const act = (app, path, body) => post(path, body).then((set) => {
  app.actor = body.by || app.actor;
  app.showSet(set);
  return set;
});

export const lastGood = (set) => [...set.captures].reverse().find((c) => c.standing === 'used' || c.standing === 'pending_withdrawal');

const titleOf = (app, step) => app.set.steps[step]?.title ?? 'Outside the plan';
const nameOf = (app, c) => `${titleOf(app, c.step)}, ${c.reading_mm === undefined ? outcome(c.outcome) : length(c.reading_mm)}`;

export const confirmRing = (app) => act(app, `/sets/${app.set.id}/confirm-ring`, { by: who(app), ring_id: app.set.confirm_ring });
export const resume = (app) => act(app, `/sets/${app.set.id}/resume`, { by: who(app) });

export function reject(app, capture, keys) {
  return askReason({
    title: 'Reject this capture', danger: true, confirm: 'Reject', by: who(app), reasons: rejectReasons, keys,
    text: `${nameOf(app, capture)}. It stays in the record and is not used.`,
    send: (body) => act(app, `/captures/${capture.id}/reject`, body),
  });
}

export function redo(app, capture) {
  return askReason({
    title: 'Measure this position again', confirm: 'Go there next', by: who(app), reasons: ['Not sure of the seat', 'Doubtful value'],
    text: 'One more entry is asked for here. This capture is kept and used unless you reject it.',
    send: (body) => act(app, `/captures/${capture.id}/redo`, body),
  });
}

export function again(app, step = Math.min(app.set.step, app.set.steps.length - 1)) {
  return askReason({
    title: 'One more entry here', text: `${titleOf(app, step)}. All entries are kept and used.`, confirm: 'Ask for one more', by: who(app),
    reasons: ['Not sure of the seat', 'Spread too large'],
    send: (body) => act(app, `/sets/${app.set.id}/same-again`, { ...body, step }),
  });
}

export function moveTo(app, step) {
  return askReason({
    title: 'Go to this step next', text: `${titleOf(app, step)}. Steps that are not done yet stay to be done.`, confirm: 'Go there next', by: who(app),
    reasons: ['Ring is at hand', 'Order changed'],
    send: (body) => act(app, `/sets/${app.set.id}/move`, { ...body, step }),
  });
}

/** Says to which step a capture belongs. */
export function relabel(app, capture, keys) {
  const steps = app.set.steps.filter((s) => s.index !== capture.step);
  const to = h('select', { required: true }, h('option', { value: '' }, 'Choose'), steps.map((s) => h('option', { value: String(s.index) }, s.title)));
  return askReason({
    title: 'This capture belongs elsewhere', confirm: 'Relabel', by: who(app), reasons: ['Wrong height', 'Wrong direction', 'Wrong ring'], keys,
    text: `${nameOf(app, capture)}. Its reading stays as it is; the change is recorded and shown with the result.`,
    fields: [field('It belongs to', to)], choice: to,
    send: (body) => act(app, `/captures/${capture.id}/relabel`, { ...body, step: Number(to.value) }),
  });
}

export function temperatures(app) {
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
