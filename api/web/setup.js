// The form that starts a set.
import { h, byId, field, remember, show } from './dom.js';
import { get, post } from './client.js';
import { register } from './register.js';
import { planFields, planOf } from './plan.js';
import { preflight } from './preflight.js';
import { plain } from './format.js';

export async function renderSetup(app) {
  const box = byId('setup');
  const visible = !app.set;
  show(box, visible);
  if (!visible || box.dataset.station === app.station) return;
  box.dataset.station = app.station;
  await app.attempt(async () => {
    const [{ rings }, { materials }] = await Promise.all([get('/rings'), get('/materials')]);
    build(app, rings, materials, remember.get('order.' + app.station) ?? {});
  });
}

/** Builds the form. memory: what it held before, or the last choices of this bench. */
function build(app, rings, materials, memory) {
  const form = byId('order');
  const masters = rings.filter((r) => r.kind === 'master');
  const works = rings.filter((r) => r.kind === 'work');
  const option = (r) => h('option', { value: r.id }, `${r.ident} · ${plain(r.nominal_mm)} mm` + (r.certificate ? ` · due ${r.certificate.due_on}${r.overdue ? ' OVERDUE' : ''}` : ''));

  const technician = h('input', { type: 'text', required: true, maxlength: 100, autocomplete: 'name', value: memory.technician || app.actor });
  const master = h('select', { required: true }, h('option', { value: '' }, 'Choose'), masters.map(option));
  if (masters.some((r) => r.id === memory.master)) master.value = memory.master;
  const overdue = h('input', { type: 'text', maxlength: 500, value: memory.overdue ?? '' });
  const overdueField = field('Reason for using a master past its due date', overdue, 'It is recorded with the set and shown with the result.');
  const dueNote = h('p', { class: 'hint' });
  const showDue = () => {
    const r = masters.find((m) => m.id === master.value);
    overdueField.hidden = !r?.overdue;
    overdue.required = Boolean(r?.overdue);
    dueNote.textContent = r?.certificate ? `Certificate ${r.certificate.number}: ${r.certificate.diameter_20c_mm.toFixed(5)} mm at ${plain(r.certificate.height_mm)} mm, ${plain(r.certificate.direction_deg)}°; due ${r.certificate.due_on}${r.overdue ? ', past' : ''}.` : '';
  };
  master.addEventListener('change', showDue);

  const rows = h('div', { class: 'works' });
  const addWork = (preset = {}) => {
    const ring = h('select', { required: true, class: 'work' }, h('option', { value: '' }, 'Choose'), works.map(option));
    if (works.some((r) => r.id === preset.ring)) ring.value = preset.ring;
    const row = h('fieldset', { class: 'work-row' }, h('legend', {}, 'Work ring'), field('Ring', ring), planFields(preset));
    const remove = h('button', { type: 'button', class: 'plain small', onclick: () => { row.remove(); number(); } }, 'Take this ring out');
    row.append(remove);
    rows.append(row);
    number();
  };
  const number = () => rows.querySelectorAll('.work-row').forEach((r, i, all) => {
    r.querySelector('legend').textContent = all.length === 1 ? 'Work ring' : `Work ring ${i + 1}`;
    r.querySelector('button').hidden = all.length === 1;
  });
  for (const w of memory.works?.length ? memory.works : [{}]) addWork(w);

  const repeats = h('input', { type: 'number', min: 1, max: 10, required: true, value: memory.repeats ?? 2 });
  const limit = h('input', { type: 'number', min: 0.01, max: 100, step: 0.01, required: true, value: memory.limit ?? 0.2 });
  const temp = (value) => h('input', { type: 'number', step: 0.01, min: 0, max: 40, inputmode: 'decimal', value: value ?? '' });
  const tMaster = temp(memory.celsius?.master), tWork = temp(memory.celsius?.work), tScale = temp(memory.celsius?.scale);
  const checks = preflight(app, memory.checks ?? [], () => ({ master: tMaster.value, work: tWork.value, scale: tScale.value }));
  const faults = h('ul'), fault = h('div', { class: 'fault', role: 'alert', hidden: true }, faults);
  const start = h('button', { type: 'submit', class: 'primary big' }, 'Start the set');

  const order = () => [...rows.querySelectorAll('.work-row')].map((row) => ({ ring: row.querySelector('.work').value, ...planOf(row) }));
  const choices = () => ({
    technician: technician.value.trim(), master: master.value, works: order().map(({ ring, text }) => ({ ring, ...text })),
    repeats: Number(repeats.value), limit: Number(limit.value),
  });
  // A ring registered in place is chosen, and nothing that was typed is lost.
  const add = async (kind) => {
    const ring = await register(app, materials, kind);
    if (!ring) return;
    const kept = { ...choices(), overdue: overdue.value, celsius: { master: tMaster.value, work: tWork.value, scale: tScale.value }, checks: checks.boxes() };
    const free = kept.works.find((w) => !w.ring);
    if (ring.kind === 'master' && !kept.master) kept.master = ring.id;
    if (ring.kind === 'work' && free) free.ring = ring.id;
    await app.attempt(async () => build(app, (await get('/rings')).rings, materials, kept));
    (form.querySelector('.needed button') ?? technician).focus();
  };
  const lacks = masters.length === 0 ? (works.length === 0 ? 'The register is empty. A set needs a master ring and a work ring: register the master first, with its certificate at hand.' : 'No master ring is registered: a set begins and ends on one.')
    : works.length === 0 ? 'The master is registered. Now the work ring.' : '';
  const needed = lacks === '' ? '' : h('div', { class: 'needed' }, h('p', {}, lacks),
    h('button', { type: 'button', class: 'primary big', onclick: () => add(masters.length === 0 ? 'master' : 'work') }, 'Register a ring'));
  form.classList.toggle('waits', lacks !== '');
  form.replaceChildren(
    needed,
    h('div', { class: 'grid' },
      field('Technician', technician),
      h('div', { class: 'stack' }, field('Master ring', master), dueNote, overdueField)),
    rows,
    h('div', { class: 'row' },
      h('button', { type: 'button', class: 'plain', onclick: () => addWork() }, 'Another work ring'),
      h('button', { type: 'button', class: 'plain', onclick: () => add('work') }, 'Register a ring')),
    h('div', { class: 'grid three' },
      field('Entries at each position', repeats, 'Repeats by re-entry'),
      field('Closing limit / µm', limit, '0.2 µm is common practice')),
    h('fieldset', {}, h('legend', {}, 'Temperatures / °C, if read'),
      h('div', { class: 'grid three' }, field('Master', tMaster), field('Work rings', tWork), field('Scale', tScale))),
    checks.element,
    fault, start);
  showDue();

  form.onsubmit = async (e) => {
    e.preventDefault();
    const lines = [];
    const workRows = order();
    if (!technician.value.trim()) lines.push('Technician: who measures?');
    if (!master.value) lines.push('Master ring: choose one.');
    if (overdue.required && !overdue.value.trim()) lines.push('This master is past its due date: give the reason for using it, or choose another.');
    workRows.forEach((w, i) => {
      const name = workRows.length === 1 ? 'Work ring' : `Work ring ${i + 1}`;
      if (!w.ring) lines.push(`${name}: choose one.`);
      for (const f of w.faults) lines.push(`${name}: ${f}`);
    });
    const say = (list) => {
      faults.replaceChildren(...list.map((l) => h('li', {}, l)));
      fault.hidden = list.length === 0;
      if (list.length) fault.scrollIntoView({ block: 'center' });
    };
    say(lines);
    if (lines.length) return;
    const temperatures = [];
    if (tMaster.value) temperatures.push({ ring_id: master.value, celsius: Number(tMaster.value) });
    for (const w of workRows) if (tWork.value) temperatures.push({ ring_id: w.ring, celsius: Number(tWork.value) });
    if (tScale.value) temperatures.push({ celsius: Number(tScale.value) });
    remember.set('order.' + app.station, choices());
    start.disabled = true;
    try {
      const set = await post('/sets', {
        station: app.station, technician: technician.value.trim(), master_id: master.value,
        works: workRows.map((w) => ({ ring_id: w.ring, positions: w.positions })),
        repeats: Number(repeats.value), closing_limit_mm: Number(limit.value) / 1000,
        overdue_reason: overdueField.hidden ? '' : overdue.value.trim(), temperatures,
        checks: checks.ticked(),
      });
      app.actor = set.technician;
      app.showSet(set);
      byId('now').focus();
    } catch (err) {
      say(err.lines ?? [err.message]);
    } finally {
      start.disabled = false;
    }
  };
}
