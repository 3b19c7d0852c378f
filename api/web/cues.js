// News for ear and eye: each is heard as a figure of notes and seen as a banner that
// can be read from two metres. The page decides nothing: cues and captures come
// from the daemon.
import { byId, setText, show } from './dom.js';
import { length } from './format.js';
import { figures } from './sound.js';

const SHOWN = 4000; // ms
const signs = { tilt: '✓', cross: '✓✓', ready: '↥', done: '✓✓✓', again: '↻', key: '▶', question: '?', stop: '!' };

export class Cues {
  constructor(sound) {
    this.sound = sound;
    this.last = { name: '', at: -Infinity };
    this.alarm = '';
    this.known = null; // captures of the set that have been spoken of
    this.setID = '';
    this.timer = 0;
  }

  /** Tells one piece of news; the same within two seconds is one. */
  tell(name, text) {
    const now = performance.now();
    if (name === this.last.name && now - this.last.at < 2000) return;
    this.last = { name, at: now };
    if (figures[name]) this.sound.play(name);
    if (text === '') return;
    const banner = byId('cue');
    banner.dataset.kind = name;
    setText(banner.querySelector('.mark'), signs[name]);
    setText(banner.querySelector('.word'), text);
    banner.classList.toggle('long', text.length > 16);
    show(banner, true);
    banner.classList.remove('fresh');
    void banner.offsetWidth; // begins the flash anew
    banner.classList.add('fresh');
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.clear(), SHOWN);
  }

  clear() {
    show(byId('cue'), false);
    setText(byId('cue').querySelector('.word'), '');
  }

  /** A provisional cue of the detector. */
  cue(c) {
    switch (c.kind) {
      case 'caught': return this.tell(c.adjustment === 'tilt' ? 'tilt' : 'cross', c.text);
      case 'complete': return this.tell('ready', c.text);
      case 'revoked': return this.tell('again', c.text);
      case 'again': return this.tell('again', c.text.split(':')[0]); // the band says which movement was missing
    }
    return undefined;
  }

  /** The set as it is now: a capture not yet spoken of is news, once it is committed. */
  set(set) {
    if (!set) return;
    const fresh = this.setID === set.id ? set.captures.filter((c) => !this.known.has(c.id)) : [];
    this.setID = set.id;
    this.known = new Set(set.captures.map((c) => c.id));
    const c = fresh.at(-1);
    if (!c || c.question || c.rejected_by) return;
    if (c.reading_mm !== undefined) this.tell('done', `Captured ${length(c.reading_mm)}`);
    else if (c.step >= 0) this.tell('again', 'Again, please');
  }

  /** A question or a stop is told once, when it comes up. */
  now(now) {
    const alarm = now.tone === 'stop' ? 'stop' : now.waits === 'answer' || now.waits === 'confirm_ring' ? 'question' : '';
    const key = alarm && alarm + now.title + now.detail;
    if (key === this.alarm) return;
    this.alarm = key;
    if (alarm) this.tell(alarm, ''); // the band flashes, and stays
  }

  lost() {
    this.alarm = 'lost';
    this.sound.follow(null);
    this.tell('stop', 'Connection lost');
  }
}

/** The button, the mute and the volume in the head of the page. */
export function soundControls(sound) {
  const start = byId('sound-on'), mute = byId('mute'), volume = byId('volume');
  const draw = () => {
    show(start, !sound.on);
    show(mute, sound.on);
    mute.setAttribute('aria-pressed', String(sound.muted));
    setText(mute, sound.muted ? 'Muted' : 'Mute');
    setText(byId('volume-word'), `${Math.round(sound.volume * 100)} %`);
  };
  start.classList.toggle('wanted', !sound.muted);
  volume.value = String(Math.round(sound.volume * 100));
  start.addEventListener('click', () => { sound.start(); draw(); mute.focus(); });
  mute.addEventListener('click', () => { sound.setMuted(!sound.muted); draw(); });
  volume.addEventListener('input', () => { sound.setVolume(Number(volume.value) / 100); draw(); });
  volume.addEventListener('change', () => sound.play('tilt'));
  draw();
}
