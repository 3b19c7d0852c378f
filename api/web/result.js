// What a set yielded. A measurement record, and it says so.
import { h, byId, show } from './dom.js';
import { mm, micro, signedMicro, uncertainty, freedom, plain, status, day, clock } from './format.js';

export function renderResult(app) {
  const { set, result } = app;
  const box = byId('result');
  const visible = Boolean(set?.ended || (set && result));
  show(box, visible);
  if (!visible) {
    box.replaceChildren();
    return;
  }
  const head = h('h2', { id: 'result-title' }, `Result: ${set.rings.filter((r) => r.kind === 'work').map((r) => r.ident).join(', ')}`);
  if (!result) {
    box.replaceChildren(head, h('p', {}, set.status === 'aborted'
      ? `There is no result: the set was aborted (${set.stop_reason}).`
      : 'There is no result of this set.'));
    return;
  }
  const limit = result.closing_limit_mm;
  const closing = result.closing_difference_mm;
  const verdict = { accepted: '✓ Accepted', provisional: '? Provisional', not_accepted: '✗ Not accepted' }[result.status] ?? status(result.status);
  const why = closing === undefined
    ? 'the reference was not closed'
    : `closing minus opening is ${signedMicro(closing)}, the limit is ${micro(limit)}`;
  const rows = result.positions.map((p) => h('tr', {},
    h('th', { scope: 'row' }, `${p.ident}`),
    h('td', {}, `${plain(p.height_mm)}\u00a0mm,\u00a0${plain(p.direction_deg)}°`),
    h('td', { class: 'number strong' }, mm(p.diameter_20c_mm)),
    h('td', { class: 'number' }, uncertainty(p.expanded_uncertainty_mm), h('span', { class: 'quiet' }, `k ${p.coverage_factor.toFixed(2)}`)),
    h('td', { class: 'number' }, signedMicro(p.deviation_mm)),
    h('td', {}, p.decision || 'no tolerance'),
    h('td', {}, p.captures.map((id, i) => h('a', { href: `/api/v1/captures/${id}/trace`, download: '', 'aria-label': `Raw trace of entry ${i + 1}, ${p.ident}, ${plain(p.height_mm)} mm, ${plain(p.direction_deg)}°` }, `CSV ${i + 1}`)).flatMap((a) => [a, ' ']))));
  const notes = [...result.reservations, ...result.positions.flatMap((p) => p.reservations.map((r) => `${p.ident}, ${plain(p.height_mm)} mm, ${plain(p.direction_deg)}°: ${r}`))];
  box.replaceChildren(
    head,
    h('p', { class: 'verdict', 'data-status': result.status }, h('strong', {}, verdict), `: ${why}.`,
      result.repeatability ? ` Repeatability of one entry ${uncertainty(result.repeatability.s_mm)} (${freedom(result.repeatability.dof)}).` : ''),
    h('p', { id: 'result-caption' }, `Diameters at 20 °C, ${day(result.at)} ${clock(result.at)}, revision ${result.revision}. U is the expanded uncertainty with its coverage factor k.`),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Table of diameters' }, h('table', { 'aria-describedby': 'result-caption' },
      h('thead', {}, h('tr', {}, ['Ring', 'Position', '#Diameter / mm', '#U', '#From nominal', 'Decision', 'Raw traces'].map((t) => h('th', { scope: 'col', class: t[0] === '#' ? 'number' : null }, t.replace('#', ''))))),
      h('tbody', {}, rows))),
    h('div', { class: 'caution' }, h('h3', {}, 'Before you use these values'),
      h('ul', {}, h('li', {}, result.caution), notes.map((n) => h('li', {}, n)))));
}
