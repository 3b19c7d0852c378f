// Questions that stop the page: a reason, a choice, a form.
import { h, byId, field } from './dom.js';

/**
 * Opens the dialog with a form and resolves with what submit returned, or null if
 * it was left. submit may throw a Problem: its lines are shown and the form stays.
 */
export function ask({ title, text, fields, confirm, danger, submit, onkey }) {
  const dialog = byId('dialog');
  return new Promise((resolve) => {
    let outcome = null;
    const faults = h('ul'), fault = h('div', { class: 'fault', role: 'alert', hidden: true }, faults);
    const go = h('button', { type: 'submit', class: danger ? 'danger' : 'primary' }, confirm);
    const form = h('form', {
      method: 'dialog', novalidate: true,
      onsubmit: async (e) => {
        e.preventDefault();
        if (!form.reportValidity()) return;
        go.disabled = true;
        try {
          outcome = (await submit()) ?? true;
          dialog.close();
        } catch (err) {
          faults.replaceChildren(...(err.lines ?? [err.message]).map((l) => h('li', {}, l)));
          fault.hidden = false;
        } finally {
          go.disabled = false;
        }
      },
    },
    h('h2', { id: 'dialog-title' }, title),
    text ? h('p', {}, text) : null,
    ...fields,
    fault,
    h('div', { class: 'row end' },
      h('button', { type: 'button', class: 'plain', onclick: () => dialog.close() }, 'Leave it'),
      go));
    dialog.setAttribute('aria-labelledby', 'dialog-title');
    dialog.replaceChildren(form);
    if (onkey) form.addEventListener('keydown', (e) => onkey(e, go));
    dialog.addEventListener('close', () => resolve(outcome), { once: true });
    dialog.showModal();
    (onkey ? go : form.querySelector('input, select, textarea, fieldset button') ?? go).focus();
  });
}

/**
 * A question that needs who and why. With keys, it can be worked by a pedal alone:
 * keys.on goes down the list (of choice, or of the reasons), keys.take confirms.
 */
export function askReason({ title, text, confirm, danger, by, reasons = [], fields = [], choice, keys, send }) {
  const name = h('input', { type: 'text', required: true, maxlength: 100, autocomplete: 'name', value: by });
  const why = h('input', { type: 'text', required: true, maxlength: 500, list: 'reasons', autocomplete: 'off' });
  const list = h('datalist', { id: 'reasons' }, reasons.map((r) => h('option', { value: r })));
  const quick = h('div', { class: 'row' }, reasons.map((r) => h('button', { type: 'button', class: 'chip', onclick: () => { why.value = r; why.focus(); } }, r)));
  if (keys) {
    why.value = reasons[0];
    if (choice) choice.selectedIndex = 1;
  }
  const onkey = keys && ((e, go) => {
    if (e.target.matches('input, textarea') || !e.key) return;
    if (e.key === keys.on) {
      if (choice) choice.selectedIndex = choice.selectedIndex % (choice.options.length - 1) + 1;
      else why.value = reasons[(reasons.indexOf(why.value) + 1) % reasons.length];
    } else if (e.key === keys.take) go.click();
    else return;
    e.preventDefault();
  });
  return ask({
    title, text, confirm, danger, onkey,
    fields: [...fields, field('Reason', why, 'It is recorded and stays.'), quick, list, field('Your name', name)],
    submit: () => send({ by: name.value.trim(), reason: why.value.trim() }),
  });
}
