// The JSON interface, and the one event stream of the page.

export class Problem extends Error {
  constructor(doc, status) {
    super(doc.detail || doc.title || `The daemon answered ${status}.`);
    this.status = status;
    this.errors = doc.errors ?? [];
  }

  /** All faults, one sentence each. */
  get lines() {
    if (this.errors.length === 0) return [this.message];
    return this.errors.map((e) => (e.location ? `${e.location.replace(/^body\.?/, '')}: ${e.message}` : e.message));
  }
}

async function call(method, path, body) {
  let res;
  try {
    res = await fetch('/api/v1' + path, {
      method,
      headers: body === undefined ? {} : { 'Content-Type': 'application/json' },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Problem({ detail: 'The daemon does not answer. Nothing was recorded.' }, 0);
  }
  const doc = await res.json().catch(() => ({}));
  if (!res.ok) throw new Problem(doc, res.status);
  return doc;
}

export const get = (path) => call('GET', path);
export const post = (path, body = {}) => call('POST', path, body);

const LOST_AFTER = 1500; // ms without a message; the daemon sends several a second

/**
 * Opens the event stream of a station and keeps it open. Handlers: hello, journal,
 * cue, trace, live, link(state) with state 'ok' or 'lost'.
 */
export function follow(station, after, handlers) {
  let source = null;
  let heard = performance.now();
  let state = '';
  let closed = false;
  let last = after;

  const tell = (next) => {
    if (next !== state) handlers.link?.(state = next);
  };
  const open = () => {
    source?.close();
    heard = performance.now();
    source = new EventSource(`/api/v1/events?station=${encodeURIComponent(station)}&live=true&after=${last}`);
    for (const name of ['hello', 'journal', 'cue', 'trace', 'live', 'heartbeat']) {
      source.addEventListener(name, (e) => {
        heard = performance.now();
        tell('ok');
        if (e.lastEventId) last = Number(e.lastEventId);
        handlers[name]?.(JSON.parse(e.data));
      });
    }
  };
  open();
  const timer = setInterval(() => {
    const silent = performance.now() - heard;
    if (silent > LOST_AFTER) tell('lost');
    // The browser reconnects by itself unless it gave up, or hangs on a dead socket.
    if (source.readyState === EventSource.CLOSED ? silent > LOST_AFTER : silent > 4 * LOST_AFTER) open();
  }, 250);
  return () => {
    if (closed) return;
    closed = true;
    clearInterval(timer);
    source.close();
  };
}
