// The bench page. The daemon says what to do and what was caught; the page shows it.
import { byId, h, setText, show, remember } from './dom.js';
import { get, follow } from './client.js';
import { prefs, readoutText } from './format.js';
import { Trace } from './trace.js';
import { renderSet, renderAsks } from './ladder.js';
import { renderResult } from './result.js';
import { renderSetup } from './setup.js';
import { Nearness } from './near.js';
import { Sound } from './sound.js';
import { Cues, soundControls } from './cues.js';
import { listen, settings, unitField } from './keys.js';

const signs = { idle: '■', act: '▶', good: '✓', ask: '?', stop: '!' };
// What the hand should do, as a sign that can be told from two metres.
const moves = { settle: '…', go_past: '→', come_back: '←', once_more: '↻', rest: '‖', next: '⇒', withdraw: '↥', again: '↻' };
const linkWords = { waiting: 'Connecting', ok: 'Connected', lost: 'Connection lost, trying again' };
const readoutLost = 'Readout not connected';

const app = {
  station: '', set: null, result: null, actor: '', shownStep: -1, left: '', fetching: '',
  said: null, // what the sentence on the page says: what is waited for, at which step, and the set it speaks of
  trace: new Trace(byId('trace')), near: new Nearness(byId('near')), sound: new Sound(),

  /** Runs something that may fail and says so. */
  async attempt(f) {
    try {
      fault('');
      return await f();
    } catch (err) {
      fault((err.lines ?? [err.message]).join(' '));
      return null;
    }
  },

  /** Takes a set as the one shown. */
  showSet(set) {
    if (this.set && set && set.id === this.set.id && set.seq < this.set.seq) return;
    if (set && set.ended && set.id === this.left) return;
    // The result is worked out when the last step is done; it needs no press.
    const due = (s) => Boolean(s) && s.status !== 'aborted' && (s.ended || s.waits === 'close');
    const fresh = due(set) && !(this.set?.id === set.id && due(this.set));
    this.set = set;
    this.cues.set(set);
    if (this.result?.set_id !== set?.id || !due(set)) this.result = null;
    render();
    if (fresh) this.loadResult(set.id, 10);
  },

  /** Fetches the result, which may take a moment to be worked out. */
  async loadResult(id, tries) {
    if (this.set?.id !== id) return;
    try {
      this.result = await get(`/sets/${id}/result`);
      render();
    } catch {
      if (tries > 0) setTimeout(() => this.loadResult(id, tries - 1), 1000);
    }
  },

  /**
   * Brings the panel, which follows the sentence after a moment, up to what the
   * sentence said when a key was pressed, and returns the set. same tells whether the
   * set still waits for what the sentence said.
   */
  async asSaid(said) {
    if (this.set?.id !== said.set_id || this.set.seq < said.set_seq) this.showSet(await get(`/sets/${said.set_id}`));
    const { set } = this;
    return { set, same: set?.id === said.set_id && set.waits === said.waits && set.step === said.step };
  },

  leaveSet() {
    this.left = this.set?.id ?? '';
    this.set = this.result = null;
    this.shownStep = -1;
    byId('setup').dataset.station = '';
    byId('order').replaceChildren(); // it is built anew, and nobody shall type into the old one
    render();
    byId('setup').scrollIntoView();
  },

  async loadSet(id) {
    if (this.fetching === id) return;
    this.fetching = id;
    try {
      this.showSet(await get(`/sets/${id}`));
    } catch (err) {
      if (err.status) fault(err.message);
    } finally {
      this.fetching = '';
    }
  },
};

app.cues = new Cues(app.sound);

function fault(text) {
  const box = byId('fault');
  setText(box, text);
  show(box, text !== '');
}

function render() {
  const { set } = app;
  document.body.dataset.view = !set ? 'setup' : set.ended || app.result ? 'result' : 'run';
  renderSet(app);
  renderAsks(app);
  renderResult(app);
  renderSetup(app);
}

/** Sets a sentence in which the ident of a ring is never broken at its hyphens. */
function sentence(el, text, ident) {
  if (el.textContent === text) return;
  const at = ident ? text.indexOf(ident) : -1;
  if (at < 0) el.textContent = text;
  else el.replaceChildren(text.slice(0, at), h('span', { class: 'unbroken' }, ident), text.slice(at + ident.length));
}

let flashed = '';
function showNow(now, connected, move) {
  const band = byId('now');
  if (app.set?.ended && now.waits === 'nothing' && app.left === app.set.id) return;
  band.dataset.tone = now.tone;
  setText(band.querySelector('.sign'), (now.tone !== 'stop' && moves[move]) || signs[now.tone] || '');
  sentence(byId('now-title'), now.title, now.ident);
  setText(byId('now-detail'), now.detail);
  // Screen readers: the sentence when there is time, a stop or a question at once.
  const urgent = now.tone === 'stop' || now.waits === 'answer';
  setText(byId('say'), urgent ? '' : `${now.title} ${now.detail}`);
  setText(byId('alarm'), urgent ? `${now.title} ${now.detail}` : '');
  setText(byId('now-next'), connected ? now.next : '');
  const ident = byId('now-ident');
  show(ident, now.ident !== '');
  setText(ident.querySelector('strong'), now.ident);
  if (now.title !== flashed) {
    flashed = now.title;
    band.classList.remove('changed');
    void band.offsetWidth; // restarts the mark
    band.classList.add('changed');
  }
}

function showLive(f) {
  const r = f.reading;
  const stale = !f.connected || !r || !r.valid || f.age_s > 2;
  const shown = r?.valid ? readoutText(r.text, r.unit) : null;
  setText(byId('reading'), shown ? shown.text : r ? 'not valid' : '–');
  byId('reading').classList.toggle('stale', stale);
  setText(byId('unit'), shown ? shown.unit : '');
  fit();
  show(byId('diameter'), Boolean(r?.diameter_text));
  const diameter = r?.diameter_text ? readoutText(r.diameter_text, 'mm') : null;
  setText(byId('diameter').querySelector('strong'), diameter ? `${diameter.text} ${diameter.unit}` : '');
  const contact = byId('contact');
  contact.dataset.contact = f.contact;
  setText(contact.querySelector('.mark'), { settled: '●', settling: '◐', open: '○', unknown: '?' }[f.contact] ?? '');
  setText(byId('contact-word'), f.connected ? f.contact_text : readoutLost);
  setText(byId('missing'), f.missing || (f.complete ? 'Nothing is missing.' : ''));
  byId('missing').classList.toggle('good', f.complete);
  byId('missing').classList.toggle('sr', Boolean(f.move)); // the sentence of the step says it, larger
  const now = f.now.waits === 'nothing' && app.left && app.left === f.set_id
    ? { title: 'No set is running.', detail: 'Choose the rings and start one.', next: '', tone: 'idle', ident: '', waits: 'start' }
    : f.now;
  showNow(now, f.connected, f.move);
  app.cues.now(now);
  const near = f.connected && !stale ? f.nearness ?? null : null;
  app.near.show(near);
  setText(byId('residual'), f.residual_text ?? '');
  show(byId('residual'), Boolean(f.residual_text));
  app.sound.follow(near && near.closeness);
  app.trace.live(f);
  app.said = { waits: now.waits, ident: now.ident, step: now.step, set_id: f.set_id, set_seq: f.set_seq };
  if (f.set_id && f.set_id !== app.left && (f.set_id !== app.set?.id || f.set_seq > app.set.seq)) app.loadSet(f.set_id);
}

function showLink(state) {
  const link = byId('link');
  link.dataset.state = state;
  setText(link.querySelector('.mark'), { ok: '●', lost: '✗', waiting: '○' }[state]);
  setText(link.querySelector('.word'), linkWords[state]);
  document.body.classList.toggle('lost', state === 'lost');
  if (state === 'lost') app.cues.lost();
}

// The digits are as tall as the two metres ask for; where they are too wide for
// the screen they are drawn narrower, not smaller.
let fitted = '';
function fit() {
  const digits = byId('digits'), room = digits.parentElement.clientWidth;
  const key = `${digits.textContent.length} ${room}`;
  if (key === fitted) return;
  fitted = key;
  digits.style.transform = '';
  const need = digits.offsetWidth;
  if (need > room) digits.style.transform = `scaleX(${Math.max(0.6, room / need)})`;
}

let stop = () => {};
function choose(stations, name) {
  stop();
  app.station = name;
  app.set = app.result = app.said = null;
  app.shownStep = -1;
  remember.set('station', name);
  const st = stations.find((s) => s.name === name);
  show(byId('demo'), Boolean(st?.simulated));
  setText(byId('demo'), st?.speed > 1 ? `Simulated, clock × ${st.speed}` : 'Simulated');
  render();
  stop = follow(name, -1, {
    link: showLink,
    hello(doc) {
      prefs.zone = doc.zone || undefined;
      setText(byId('version'), doc.version ? `Version ${doc.version}.` : '');
      fault('');
      if (doc.reset) app.set = app.result = null;
      if (app.set) app.loadSet(app.set.id);
    },
    journal(e) {
      if (e.set_id && e.set_id === app.set?.id && e.seq > app.set.seq) app.loadSet(e.set_id);
    },
    cue: (c) => app.cues.cue(c),
    trace: (doc) => app.trace.reset(doc),
    live: showLive,
  });
}

function light() {
  const button = byId('light');
  const dim = remember.get('dim') ?? matchMedia('(prefers-color-scheme: dark)').matches;
  const apply = (on) => {
    document.documentElement.dataset.light = on ? 'dim' : 'bright';
    button.setAttribute('aria-pressed', String(on));
    app.trace.request();
  };
  apply(dim);
  button.addEventListener('click', () => {
    const on = button.getAttribute('aria-pressed') !== 'true';
    remember.set('dim', on);
    apply(on);
  });
}

async function begin() {
  light();
  soundControls(app.sound);
  listen(app);
  byId('settings').addEventListener('click', () => settings(app, [unitField(() => { app.trace.pointKey = ''; render(); dispatchEvent(new Event('hashchange')); })]));
  showLink('waiting');
  for (;;) {
    try {
      const { stations } = await get('/stations');
      if (stations.length === 0) {
        setText(byId('now-title'), 'No bench is configured.');
        setText(byId('now-detail'), 'Add a station to the configuration file and restart the daemon.');
        return;
      }
      const select = byId('station');
      select.replaceChildren(...stations.map((s) => h('option', { value: s.name }, s.title)));
      const known = remember.get('station');
      const first = stations.some((s) => s.name === known) ? known : stations[0].name;
      select.value = first;
      select.addEventListener('change', () => choose(stations, select.value));
      choose(stations, first);
      return;
    } catch (err) {
      showLink('lost');
      fault(err.message);
      await new Promise((r) => setTimeout(r, 1000));
    }
  }
}

window.ringsaddle = app; // for whoever looks in from the console
begin();
