// Numbers and names as people read them.

const minus = (text) => text.replace('-', '\u2212');

/** A length in millimetres with a fixed number of decimals. */
export const mm = (v, decimals = 5) => minus(v.toFixed(decimals));

/** A difference in micrometres, with its sign. */
export function signedMicro(v) {
  const text = (v * 1000).toFixed(2);
  const zero = Number(text) === 0;
  return minus(zero ? '0.00' : (v > 0 ? '+' : '') + text) + '\u00a0µm';
}

/** A size in micrometres. */
export const micro = (v, decimals = 2) => minus((v * 1000).toFixed(decimals)) + '\u00a0µm';

/** An uncertainty in micrometres with two significant digits. */
export function uncertainty(v) {
  if (!(v > 0)) return '0\u00a0µm';
  const um = v * 1000;
  const decimals = Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(um))));
  return um.toFixed(decimals) + '\u00a0µm';
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

export const clock = (iso) => new Date(iso).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
export const day = (iso) => new Date(iso).toLocaleDateString([], { year: 'numeric', month: 'short', day: 'numeric' });
