// Questions that stop the page: a reason, a choice, a form.
import { h, byId, field } from './dom.js';

/**
 * Opens the dialog with a form and resolves with what submit returned, or null if
 * it was left. submit may throw a Problem: its lines are shown and the form stays.
 */
export function ask({ title, text, fields, confirm, danger, submit }) {
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
    dialog.addEventListener('close', () => resolve(outcome), { once: true });
    dialog.showModal();
    (form.querySelector('input, select, textarea') ?? go).focus();
  });
}

/** A question that needs who and why. */
export function askReason({ title, text, confirm, danger, by, reasons = [], send }) {
  const name = h('input', { type: 'text', required: true, maxlength: 100, autocomplete: 'name', value: by });
  const why = h('input', { type: 'text', required: true, maxlength: 500, list: 'reasons', autocomplete: 'off' });
  const list = h('datalist', { id: 'reasons' }, reasons.map((r) => h('option', { value: r })));
  const quick = h('div', { class: 'row' }, reasons.map((r) => h('button', { type: 'button', class: 'chip', onclick: () => { why.value = r; why.focus(); } }, r)));
  return ask({
    title, text, confirm, danger,
    fields: [field('Reason', why, 'It is recorded and stays.'), quick, list, field('Your name', name)],
    submit: () => send({ by: name.value.trim(), reason: why.value.trim() }),
  });
}
