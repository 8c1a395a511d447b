// Talks to the play: what is asked of it, and what it tells.

const tokenKey = "understudy-token";

// The token comes once in the address, is kept for this tab alone, and leaves
// the address, so that nobody reads it off the screen.
export function takeToken() {
  const m = /^#token=([0-9a-f]+)$/.exec(location.hash);
  if (m) {
    sessionStorage.setItem(tokenKey, m[1]);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(tokenKey) || "";
}

async function ask(method, path, body) {
  const head = {};
  const token = sessionStorage.getItem(tokenKey);
  if (token) head.Authorization = "Bearer " + token;
  if (body) head["Content-Type"] = "application/json";
  const res = await fetch(path, { method, headers: head, body: body && JSON.stringify(body) });
  const got = await res.json();
  if (!res.ok) throw new Error(got.error || res.statusText);
  return got;
}

export const get = (path) => ask("GET", path);
export const post = (path, body) => ask("POST", path, body);

// watch calls opened whenever the play is listened to anew, which tells all that
// has happened again, each with every beat, and state with true or false as the
// play can be heard or not. It returns what stops it. A stream that breaks is
// opened again by the browser.
export function watch(gauge, opened, each, state) {
  let source = null, again = 0;
  const open = () => {
    source = new EventSource("v1/watch" + (gauge ? "?gauge=" + encodeURIComponent(gauge) : ""));
    source.onopen = opened;
    source.onmessage = (e) => { state(true); each(JSON.parse(e.data)); };
    source.onerror = () => {
      state(false);
      if (source.readyState === EventSource.CLOSED) again = setTimeout(open, 1000);
    };
  };
  open();
  return () => { clearTimeout(again); source.close(); };
}

// mm writes a length, an integer count of picometres, as exact text.
export function mm(pm) {
  const n = Math.round(pm), sign = n < 0 ? "-" : "";
  const text = String(Math.abs(n)).padStart(10, "0");
  return sign + text.slice(0, -9) + "." + text.slice(-9).replace(/0{1,8}$/, "") + " mm";
}

// follow reads a stream of server-sent events with the token in its head, where an
// EventSource has none, and opens it again when it breaks.
export async function follow(path, each, state) {
  for (;;) {
    let why = "";
    try {
      const res = await fetch(path, { headers: { Authorization: "Bearer " + sessionStorage.getItem(tokenKey) } });
      if (!res.ok) why = (await res.json()).error;
      const from = res.ok && res.body.pipeThrough(new TextDecoderStream()).getReader();
      for (let held = ""; from; ) {
        const { value, done } = await from.read();
        if (done) break;
        const events = (held + value).split("\n\n");
        held = events.pop();
        for (const e of events) if (e.startsWith("data: ")) { state(true, ""); each(JSON.parse(e.slice(6))); }
      }
    } catch { /* it is opened again */ }
    state(false, why);
    await new Promise((r) => setTimeout(r, 1000));
  }
}
