// What can be heard: a pulsing tone that rises while the reading nears the turning
// point, and one short figure of notes for each kind of news. No sound file is
// needed. Every node that is started is stopped, and let go when it has ended, so
// that a shift's worth of sound costs no memory.
import { remember } from './dom.js';

// Notes as [hertz, start in s, length in s]. The figures differ in direction and
// in number, not in pitch alone: up two, up three, a long pair, a chord, down two,
// five knocks.
export const figures = {
  tilt: [[523, 0, 0.12], [784, 0.13, 0.2]],
  cross: [[523, 0, 0.1], [784, 0.11, 0.1], [1047, 0.22, 0.24]],
  ready: [[784, 0, 0.3], [784, 0.36, 0.3]],
  done: [[523, 0, 0.7], [659, 0.07, 0.63], [784, 0.14, 0.56], [1047, 0.21, 0.49]],
  again: [[494, 0, 0.22], [330, 0.25, 0.36]],
  question: [[880, 0, 0.18], [698, 0.22, 0.18], [880, 0.44, 0.3]],
  stop: [0, 1, 2, 3, 4].map((i) => [196, i * 0.17, 0.1]),
};

const HOLD = 1;       // s: how long a silent voice is kept for the next reading
const GLIDE = 0.03;   // s: time constant of every change, so that nothing clicks
const TONE = 0.16;    // of full scale; the figures are louder
const FIGURE = 0.4;

/** Pitch (hertz) and pulses a second for a closeness of 0 to 1. */
export const toneFor = (closeness) => ({ hertz: 260 * 2 ** (1.6 * closeness), pulses: 1.6 + 7.4 * closeness });

export class Sound {
  constructor() {
    this.context = null;
    this.master = null;
    this.voice = null;   // of the tone
    this.busyUntil = 0;  // context time at which the last figure ends
    this.volume = Math.min(1, Math.max(0, remember.get('volume') ?? 0.6));
    this.muted = remember.get('muted') ?? false;
  }

  get on() { return this.context !== null; }

  /** Begins to sound. Browsers allow it only while a person presses something. */
  start() {
    if (!this.context) {
      this.context = new AudioContext();
      this.master = this.context.createGain();
      this.master.gain.value = this.muted ? 0 : this.volume ** 2;
      this.master.connect(this.context.destination);
    }
    this.context.resume();
    this.setMuted(false);
    this.play('tilt'); // so that the volume can be judged
  }

  setVolume(v) {
    remember.set('volume', this.volume = v);
    this.level();
  }

  setMuted(muted) {
    remember.set('muted', this.muted = muted);
    this.level();
  }

  level() { // loudness goes by the square, as the ear does
    if (this.context) glide(this.master.gain, this.muted ? 0 : this.volume ** 2, this.context.currentTime);
  }

  /** Plays a figure, after the one that sounds now. */
  play(name) {
    if (!this.context || this.context.state !== 'running' && this.context.state !== 'suspended') return;
    const now = this.context.currentTime;
    if (this.busyUntil > now + 1.5) return; // old news is no news
    const at = Math.max(now + 0.02, this.busyUntil + 0.08);
    for (const [hertz, start, length] of figures[name]) {
      const osc = this.context.createOscillator(), env = this.context.createGain();
      osc.type = 'triangle';
      osc.frequency.value = hertz;
      env.gain.setValueAtTime(0, at + start);
      env.gain.linearRampToValueAtTime(FIGURE / (name === 'done' ? 2 : 1), at + start + 0.012);
      env.gain.setTargetAtTime(0, at + start + length * 0.6, length * 0.12);
      osc.connect(env).connect(this.master);
      osc.onended = () => { osc.disconnect(); env.disconnect(); };
      osc.start(at + start);
      osc.stop(at + start + length + 0.1);
      this.busyUntil = Math.max(this.busyUntil, at + start + length);
    }
    this.duck();
  }

  /** Lets the tone follow a closeness of 0 to 1; null if nothing is sought. */
  follow(closeness) {
    const { context } = this;
    if (!context) return;
    const now = context.currentTime;
    if (closeness === null) {
      if (!this.voice) return;
      glide(this.voice.level.gain, 0, now);
      this.voice.silent ??= now;
      if (now - this.voice.silent > HOLD) this.end();
      return;
    }
    const c = Math.min(1, Math.max(0, closeness));
    const v = this.voice ??= this.begin(c);
    if (v.silent !== null || Math.abs(v.at - c) > 0.004) {
      const { hertz, pulses } = toneFor(c);
      glide(v.osc.frequency, hertz, now);
      glide(v.lfo.frequency, pulses, now);
      v.at = c;
    }
    v.silent = null;
    this.duck();
  }

  /** The tone gives way while a figure sounds. */
  duck() {
    const v = this.voice, now = this.context.currentTime;
    if (!v || v.silent !== null) return;
    const want = now < this.busyUntil ? 0 : TONE;
    if (v.want !== want) glide(v.level.gain, v.want = want, now);
  }

  begin(closeness) {
    const { context } = this;
    const { hertz, pulses } = toneFor(closeness);
    const osc = context.createOscillator(), pulse = context.createGain(), level = context.createGain();
    const lfo = context.createOscillator(), depth = context.createGain();
    osc.type = 'triangle';
    osc.frequency.value = hertz;
    lfo.frequency.value = pulses;
    pulse.gain.value = depth.gain.value = 0.5;
    level.gain.value = 0;
    osc.connect(pulse).connect(level).connect(this.master);
    lfo.connect(depth).connect(pulse.gain);
    osc.onended = () => [osc, lfo, pulse, depth, level].forEach((n) => n.disconnect());
    osc.start();
    lfo.start();
    return { osc, lfo, level, at: closeness, silent: null, want: 0 };
  }

  end() {
    const v = this.voice, stop = this.context.currentTime + 0.2;
    this.voice = null;
    v.lfo.stop(stop);
    v.osc.stop(stop);
  }
}

function glide(param, value, now) {
  param.cancelScheduledValues(now);
  param.setTargetAtTime(value, now, GLIDE);
}
