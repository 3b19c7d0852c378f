// Numbers and names as people read them.

import { remember } from './dom.js';

/** How this browser shows things: unit of what was measured, decimal sign, time zone of the bench. */
export const prefs = {
  unit: remember.get('unit') ?? 'mm',
  decimal: new Intl.NumberFormat().formatToParts(1.5).find((p) => p.type === 'decimal')?.value ?? '.',
  zone: undefined, // the browser's until the daemon has said its own
};

const minus = (text) => text.replace('-', '\u2212').replace('.', prefs.decimal);
const INCH = 25.4; // mm

/** A text of the readout, with the decimal sign of the place; in the unit chosen, with as fine a last digit. */
export function readoutText(text, unit) {
  if (unit === prefs.unit) return { text: minus(text), unit };
  const decimals = (text.split('.')[1] ?? '').length;
  const v = Number(text);
  return prefs.unit === 'in'
    ? { text: minus((v / INCH).toFixed(decimals + 2)), unit: 'in' }
    : { text: minus((v * INCH).toFixed(Math.max(0, decimals - 1))), unit: 'mm' };
}

/** A length that was measured, with its unit, from millimetres. */
export const length = (v, decimals = 5) => (prefs.unit === 'in' ? `${minus((v / INCH).toFixed(decimals + 2))}\u00a0in` : `${mm(v, decimals)}\u00a0mm`);

/** The same without its unit, for rules and labels. */
export const bare = (v, decimals = 5) => (prefs.unit === 'in' ? minus((v / INCH).toFixed(decimals + 2)) : mm(v, decimals));

/** A length in millimetres with a fixed number of decimals. */
export const mm = (v, decimals = 5) => minus(v.toFixed(decimals));

/** Small lengths are shown in micrometres, or in microinches with one decimal less. */
const small = () => (prefs.unit === 'in' ? { per: 1e6 / INCH, less: 1, unit: '\u00a0µin' } : { per: 1000, less: 0, unit: '\u00a0µm' });

/** A small difference with its sign. */
export function signedMicro(v) {
  const { per, less, unit } = small();
  const text = (v * per).toFixed(2 - less);
  return minus((v > 0 && Number(text) !== 0 ? '+' : '') + (Number(text) === 0 ? text.replace('-', '') : text)) + unit;
}

/** A small size. */
export function micro(v, decimals = 2) {
  const { per, less, unit } = small();
  return minus((v * per).toFixed(Math.max(0, decimals - less))) + unit;
}

/** An uncertainty with two significant digits. */
export function uncertainty(v) {
  const { per, unit } = small();
  if (!(v > 0)) return `0${unit}`;
  const n = v * per;
  return minus(n.toFixed(Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(n)))))) + unit;
}

export const freedom = (n) => (n === 1 ? '1 degree of freedom' : `${n} degrees of freedom`);

/** A number without needless zeros. */
export const plain = (v) => minus(String(Math.round(v * 1e6) / 1e6));

export const roles = { opening: 'Opening', work: 'Work', reference: 'Reference', closing: 'Closing' };

const outcomes = {
  diameter: 'diameter', tilt_only: 'tilt only', cross_only: 'cross only',
  incomplete: 'incomplete', ambiguous: 'ambiguous', manual: 'taken by hand',
};
export const outcome = (o) => outcomes[o] ?? o.replaceAll('_', ' ');

const standings = {
  used: 'counts', pending_withdrawal: 'waits for the withdrawal', in_question: 'in question', rejected: 'rejected',
  superseded: 'superseded', refused: 'no diameter', ambiguous: 'ambiguous', unconfirmed: 'ring not confirmed', set_aside: 'set aside',
  outside_flow: 'outside the flow', void: 'reference void', unbracketed: 'not bracketed', earlier_attempt: 'earlier attempt',
};
export const standing = (s) => standings[s] ?? s.replaceAll('_', ' ');

const statuses = {
  running: 'running', paused: 'paused', asking: 'waits for an answer', waiting_ring_confirmation: 'waits for a ring to be confirmed',
  finished: 'every step done', not_accepted: 'not accepted', aborted: 'aborted', accepted: 'accepted', provisional: 'provisional',
};
export const status = (s) => statuses[s] ?? s.replaceAll('_', ' ');

// Times are those of the bench, wherever the page is looked at.
const at = (iso, method, options) => {
  try { return new Date(iso)[method]([], { ...options, timeZone: prefs.zone }); } catch { return new Date(iso)[method]([], options); }
};
export const clock = (iso) => at(iso, 'toLocaleTimeString', { hour: '2-digit', minute: '2-digit' });
export const day = (iso) => at(iso, 'toLocaleDateString', { year: 'numeric', month: 'short', day: 'numeric' });
