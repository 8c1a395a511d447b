// The bench: cards for the gauges, and beside them what concerns the one in
// hand.

import { takeToken, get, post, watch, mm } from "./link.js";
import { el, say, words, Zone } from "./draw.js";
import { Card } from "./card.js";

const $ = (id) => document.getElementById(id);
const remember = {
  get: (k) => sessionStorage.getItem("bench-" + k),
  set: (k, v) => sessionStorage.setItem("bench-" + k, v),
};

const hands = takeToken() !== "";
let run = null, cards = [], hand = null, last = null, current = 0;
let sound = remember.get("sound") === "on", audio = null;

function tell(text) { say($("message"), text); }

async function act(body) {
  try {
    const done = await post("v1/acts", body);
    tell("");
    return done;
  } catch (e) { tell(e.message); return null; }
}

async function clock(body) {
  try { await post("v1/clock", body); tell(""); } catch (e) { tell(e.message); }
}

// beep is short and quiet: a gauge's buzzer in a classroom.
function beep() {
  if (!sound || !navigator.userActivation.hasBeenActive) return; // a browser lets no page sound by itself
  audio = audio || new AudioContext();
  const tone = audio.createOscillator(), level = audio.createGain();
  tone.frequency.value = 2300;
  level.gain.setValueAtTime(0.05, audio.currentTime);
  level.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.09);
  tone.connect(level).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.1);
}

function pick(card) {
  if (hand !== card) {
    hand = card;
    remember.set("hand", card.name);
    cards.forEach((c) => { c.root.classList.toggle("picked", c === card); c.heading.firstChild.setAttribute("aria-pressed", String(c === card)); });
    say($("picked"), card.name + (card.cast.model ? ", " + card.cast.model : ""));
    keys();
    listen(card.name);
  }
}

// listen follows the play, and of the streams that of one gauge.
let stop = null;
function listen(gauge) {
  if (stop) stop();
  stop = watch(gauge, forget, beat, (ok) => document.body.classList.toggle("deaf", !ok));
}

// forget has what is told anew not be told twice.
function forget() {
  lines = [];
  tags = [];
  $("log").replaceChildren();
  redraw();
}

// Faults, with what is done; "tip" are done to the lane in hand.
const faults = [
  ["Lose link", "for 5 s; its port goes away with it", { do: "lose link", for: "5 s" }], ["Stall, then burst", "nothing arrives for 2 s, then all at once", { do: "stall", for: "2 s" }],
  ["Garble", "one bit of the next frame", { do: "garble" }], ["Duplicate", "the next frame", { do: "duplicate" }],
  ["Unplug probe", "for 3 s", { do: "unplug probe", for: "3 s" }, "tip"], ["Stick tip", "for 3 s", { do: "stick tip", for: "3 s" }, "tip"],
  ["Change line speed", "the gauge sends at half its line speed for 5 s", (g) => ({ do: "change line speed", to: Math.max(1, parseInt(g.serialLine, 10) >> 1) + " Bd", for: "5 s" })],
  ["Restore line speed", "that of the scenario", { do: "restore line speed" }],
  ["Fade cell", "to 8 %", { do: "fade cell", to: "8 %" }], ["Empty cell", "the gauge goes off", { do: "fade cell", to: "0 %" }], ["Fresh cell", "of 100 %", { do: "fade cell", to: "100 %" }],
];

function keys() {
  const box = $("masters");
  box.replaceChildren();
  const key = (to, label, does, title = "") => {
    const k = el("button", { type: "button", disabled: !hands, title }, label);
    k.addEventListener("click", does);
    to.append(k);
  };
  const on = (label, of) => key(box, label, () => {
    const c = hand.lane.c, size = of(c);
    if (size !== null && size !== undefined) hand.on({ do: "move to", size: mm(size), over: "150 ms" });
  });
  on("Master", (c) => c.preset || c.midStroke);
  on("Lower specification limit", (c) => c.limits[0]);
  on("Middle", (c) => c.limits[0] === null || c.limits[3] === null ? null : (c.limits[0] + c.limits[3]) / 2);
  on("Upper specification limit", (c) => c.limits[3]);
  key(box, "Lift off", () => hand.on({ do: "lift", over: "200 ms" }));
  key(box, "Rock", () => hand.on({ do: "rock", size: mm(hand.lane.c.size), angle: "2 °", period: "1 s", swings: 2 }));
  key(box, "Zero", () => hand.on({ do: "zero" }));
  key(box, "Preset", () => hand.on({ do: "preset" }));
  key(box, "Clear", () => hand.on({ do: "clear" }));
  const trouble = $("faults");
  trouble.replaceChildren();
  for (const [label, what, body, tip] of faults) {
    if (!hand.cast.cell && body.do === "fade cell") continue;
    key(trouble, label, () => {
      const does = typeof body === "function" ? body(hand.view) : body;
      return tip ? hand.on(does) : hand.do(does);
    }, what);
  }
}

// What is on the wire, and what should have been recorded, of all gauges; the
// one in hand is shown.
let lines = [], tags = [], host = null, wanted = "";

function hex(bytes) { return bytes.match(/../g) || []; }

function wireLine(l) {
  const way = { in: "from host", out: "to host", went: l.fate === "sent" ? "as it went" : "did not arrive" }[l.way];
  const bad = (l.spans || []).find((s) => !s.good);
  const row = el("li", { className: l.way + (bad ? " bad" : "") }, el("span", { className: "way" }, `${(l.t / 1e9).toFixed(3)} s ${way}`, " ", el("b", {}, l.name || fates[l.fate] || "")));
  const check = (l.spans || []).find((s) => /check|crc|sum|xor|lrc|fletcher/i.test(s.field));
  if (bad) row.append(el("span", { className: "check wrong" }, "✗ " + bad.field + ": " + bad.shows));
  else if (check) row.append(el("span", { className: "check" }, `✓ ${check.field} right`));
  const cells = el("span", { className: "bytes" });
  const all = hex(l.bytes);
  (l.spans || []).forEach((s, i) => {
    const what = `${s.field}: ${s.shows}`;
    const text = all.slice(s.start, s.end).map((h) => { const n = parseInt(h, 16); return n > 32 && n < 127 ? String.fromCharCode(n) : "·"; }).join("");
    const b = el("button", { type: "button", className: "span s" + (i % 4) + (s.good ? "" : " bad"), title: what }, el("code", {}, all.slice(s.start, s.end).join(" ")), el("small", {}, text));
    const show = () => say($("byte"), `Bytes ${s.start}–${s.end - 1}: ${all.slice(s.start, s.end).join(" ")} = ${what}${s.good ? "" : ", WRONG"}`);
    b.addEventListener("pointerenter", show);
    b.addEventListener("focus", show);
    cells.append(b);
  });
  row.append(cells);
  return row;
}

let stale = true, busy = false, drawn = 0;

function redraw() { stale = true; }

// What became of a tagged frame that a host could not read.
const fates = { lost: "lost with the link", flushed: "given up by the radio", full: "the host did not read", unheard: "the port was not open", down: "the port was away" };

function went(l) {
  for (const id of l.frames || []) {
    const tag = tags.find((t) => t.frame === id && t.gauge === l.gauge);
    if (!tag) continue;
    tag.gone = l.fate !== "sent" ? fates[l.fate] || l.fate : /garble/.test(l.name) ? "damaged on the way" : /wrong speed/.test(l.name) ? "sent at another line speed" : "";
    tag.unheard = l.fate === "unheard";
    tag.maybe = /behind garbage/.test(l.name); // some decoders find it there, others need not
  }
}

// none reports whether a right host has no record of a tag. Without a host, that
// the port is not open is no reason.
function none(l) { return l.gone && (host || !l.unheard); }

// compare has each card tell what the host made of its tags.
function compare() {
  for (const card of cards) {
    let found = null;
    const mine = host ? tags.filter((l) => l.gauge === card.name && !none(l)) : [];
    for (const l of mine.slice(-12).reverse()) {
      for (const w of l.wants || []) {
        // The unit is told where it tells the two apart.
        const got = record(l, w), unit = got && got.unit !== w.unit ? " " + w.unit : "";
        const c = { tag: l.tag, of: card.many ? " " + w.channel : "", want: (w.value ? w.value + unit : "no number") + " " + words[w.zone], got: got && (unit ? got.text : got.short), wrong: got && got.wrong };
        if (!found || c.wrong) found = c;
        if (found.wrong) break;
      }
      if (found && found.wrong) break;
    }
    card.compare(found);
  }
}

function side() {
  if (!stale || !hand || !last) return;
  drawn = performance.now();
  const wire = $("wire");
  busy = wire.matches(":hover") || wire.contains(document.activeElement);
  if (!busy) { // what is being read does not run away
    const mine = lines.filter((l) => l.gauge === hand.name);
    // The newest, and of those before them what is not of a stream: a stream
    // would sweep a tag or a damaged frame away before anybody has read it.
    const from = Math.max(0, mine.length - 4);
    const rare = mine.slice(0, from).filter((l) => l.way !== "out" || (l.tag !== undefined && l.tag !== null)).slice(-3);
    wire.replaceChildren(...[...rare, ...mine.slice(from)].reverse().map(wireLine));
  }
  const mine = tags.filter((l) => l.gauge === hand.name).slice(-12).reverse();
  const rows = [];
  for (const l of mine) {
    for (const w of l.wants || []) {
      const got = record(l, w), wrong = got && got.wrong, no = none(l);
      if (no) {
        rows.push(el("tr", { className: got ? "wrong" : "" }, el("th", { scope: "row" }, String(l.tag)), el("td", { colSpan: 2 }, "none: " + l.gone), el("td", {}, !host ? "" : got ? "✗ " + got.text : "✓ none")));
        continue;
      }
      rows.push(el("tr", { className: wrong ? "wrong" : got ? "right" : "" },
        el("th", { scope: "row" }, `${l.tag}${l.repeat ? " again" : ""}`), el("td", {}, (w.value ? w.value + " " + w.unit : "no number") + (hand.many ? " " + w.channel : "")), el("td", { title: w.rule }, new Zone().show(w.zone).root),
        el("td", { title: wrong || "" }, !host ? "" : got ? (wrong ? "✗ " : "✓ ") + got.text : l.maybe ? "may be missing" : "waiting…")));
    }
  }
  $("tags").replaceChildren(...rows);
  $("host-head").hidden = !host;
  const now = last && last.wants[cards.indexOf(hand)];
  const w = now && now[hand.lane.index];
  say($("rule"), w ? "Now: " + (w.value ? `${w.value} ${w.unit} is ${words[w.zone]}, because ` : "") + w.rule + "." : "");
  stale = false;
}

function record(l, w) {
  if (!host) return null;
  const r = host.rows.find((r) => r.gauge === l.gauge && r.tag === l.tag && (!r.channel || r.channel === w.channel));
  if (!r) return null;
  const zone = words[r.zone] || r.zone || "";
  return { text: `${r.value} ${r.unit || ""} ${zone}`, short: `${r.value} ${zone}`, unit: r.unit, wrong: r.wrong };
}

function verdict() {
  const box = $("verdict");
  if (!host) { box.hidden = true; return; }
  box.hidden = false;
  box.className = host.wrong ? "wrong" : "right";
  say(box, host.wrong ? `✗ The host is wrong: ${host.why}` : host.rows.length ? `✓ ${host.rows.length} records, all right` : "A host is attached; it has recorded nothing yet.");
}

function note(e, now) {
  const who = e.g ? e.g + ": " : "";
  let text = e.note || "";
  if (e.k === "link") text = "link " + e.link.state + (e.link.why ? ", " + e.link.why : "");
  if (e.k === "port") text = "port " + e.port.what + (e.port.note ? ", " + e.port.note : "");
  if (e.k === "setting") text = `${e.setting.name}: ${e.setting.from} → ${e.setting.to}`;
  if (e.k === "cell") text = `cell ${e.cell.percent} %${e.cell.low ? " low" : ""}`;
  if (e.k === "request") text = "host asks: " + [e.request.verb, e.request.setting, e.request.value].filter(Boolean).join(" ") + (e.request.refused ? ", refused: " + e.request.refused : "");
  if (e.k === "start") text = "the timeline begins";
  if (!text) return;
  if (e.k === "gauge" && /^buzzer/.test(text) && e.t > now - 1e9) { // not one of long ago
    beep();
    const card = cards.find((c) => c.name === e.g);
    if (card) {
      card.buzz.hidden = false;
      say(card.buzz, "♪ buzzer");
      clearTimeout(card.hush);
      card.hush = setTimeout(() => { card.buzz.hidden = true; }, 700);
    }
  }
  const log = $("log");
  log.prepend(el("li", { className: /^by hand/.test(text) ? "byhand" : e.k }, el("time", {}, (e.t / 1e9).toFixed(2) + " s"), " " + who + text));
  while (log.childElementCount > 100) log.lastChild.remove();
}

function lesson(t) {
  const all = run.chapters || [];
  let i = -1;
  while (i + 1 < all.length && all[i + 1].at <= t) i++;
  $("lesson").hidden = all.length === 0;
  if (all.length === 0 || lesson.at === i) return;
  lesson.at = i;
  const c = i < 0 ? { title: run.title, say: run.notice || "" } : all[i];
  say($("lesson-title"), i < 0 ? c.title : `${i + 1} of ${all.length}: ${c.title}`);
  say($("say"), c.say);
  say($("ask"), c.ask || "");
  say($("answer"), c.answer || "");
  $("ask").hidden = !c.ask;
  $("reveal").hidden = !c.answer;
  const open = remember.get("answer") === String(i) && Boolean(c.answer);
  reveal(open);
}

function reveal(open) {
  $("answer").hidden = !open;
  $("reveal").setAttribute("aria-expanded", String(open));
  say($("reveal"), open ? "Hide the answer" : "Show the answer");
}

function beat(m) {
  if (!run || m.run !== current) { begin(m); return; }
  last = m;
  // In a crowd the cards take turns, but for the one in hand.
  const turn = cards.length > 12 ? 2 : 1;
  beats++;
  for (let i = 0; i < cards.length; i++) if (i % turn === beats % turn || cards[i] === hand || !cards[i].view) cards[i].show(m.at, m.gauges[i]);
  say($("time"), (Math.floor(m.at / 1e8) / 10).toFixed(1) + " s");
  const wants = hand ? JSON.stringify(m.wants[cards.indexOf(hand)]) : "";
  if (wants !== wanted) { wanted = wants; redraw(); }
  const pause = $("pause");
  if (pause.getAttribute("aria-pressed") !== String(m.held)) {
    pause.setAttribute("aria-pressed", String(m.held));
    say(pause, m.held ? "Go on" : "Pause");
    document.body.classList.toggle("paused", m.held);
  }
  if (document.activeElement !== $("pace")) $("pace").value = m.pace === "1x" ? "real" : m.pace;
  $("next").disabled = !hands || m.nextCue < 0;
  say($("cue"), m.nextCue < 0 ? "No cue left: the bench is yours." : `Next at ${(m.nextCue / 1e9).toFixed(1)} s: ${m.nextText}`);
  (m.notes || []).forEach((e) => note(e, m.at));
  if (m.lines) {
    lines.push(...m.lines);
    for (const l of m.lines) {
      if (l.tag !== undefined && l.tag !== null) tags.push(l);
      else if (l.frames) went(l);
    }
    if (lines.length > 400) lines = lines.slice(-200);
    if (tags.length > 400) tags = tags.slice(-200);
    redraw();
    if (host) compare();
  }
  if (m.host) { host = m.host; verdict(); compare(); redraw(); }
  lesson(m.at);
}

async function begin(m) {
  if (begin.under === m.run) { waiting.push(m); return; }
  begin.under = m.run;
  waiting = [m];
  run = await get("v1/run");
  current = m.run;
  host = null; lesson.at = undefined;
  document.title = run.title;
  say($("title"), run.title);
  $("handout").hidden = !(run.chapters || []).length;
  cards = run.gauges.map((g, i) => new Card(g, m.gauges[i], act, pick));
  const box = $("gauges");
  box.className = cards.length > 12 ? "crowd" : cards.length > 4 ? "several" : "few";
  box.style.setProperty("--n", String(Math.min(cards.length, 4)));
  box.dataset.count = String(cards.length);
  box.replaceChildren(...cards.map((c) => c.root));
  if (!hands) for (const b of document.querySelectorAll(".clock button:not(#sound), .clock select, .card .keys button")) b.disabled = true;
  verdict();
  compare();
  const list = waiting;
  waiting = [];
  begin.under = 0;
  hand = null;
  list.forEach(beat);
  pick(cards.find((c) => c.name === remember.get("hand")) || cards[0]);
}
let waiting = [];

// Colours of the traces are those of the page, light or dark.
let style = {};
function restyle() {
  const s = getComputedStyle(document.documentElement);
  for (const k of ["out", "warn", "line", "text", "ink"]) style[k] = s.getPropertyValue("--trace-" + k).trim();
  style.sheet = s.getPropertyValue("--sheet").trim();
}
restyle();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { restyle(); repaint(); });
addEventListener("resize", repaint);
function repaint() { cards.forEach((c) => c.lanes.forEach((l) => { l.trace.stale = true; })); }

let beats = 0, paints = 0;
function paint() {
  requestAnimationFrame(paint);
  paints++;
  // A crowd's traces take turns: each is painted at every fourth picture.
  const turn = cards.length > 12 ? 4 : 1;
  cards.forEach((c, i) => { if (i % turn === paints % turn) c.lanes.forEach((l) => l.trace.paint(style)); });
  if (performance.now() - drawn > 250) side();
}

$("pause").addEventListener("click", () => clock({ do: last && last.held ? "go" : "pause" }));
$("step").addEventListener("click", () => clock({ do: "step", by: "100 ms" }));
$("next").addEventListener("click", () => clock({ do: "next-cue" }));
$("again").addEventListener("click", () => clock({ do: "restart" }));
$("pace").addEventListener("change", (e) => { clock({ do: "pace", pace: e.target.value }); e.target.blur(); });
$("keep").addEventListener("click", async () => {
  try { const k = await post("v1/scenario", {}); tell("Kept in " + k.file); } catch (e) { tell(e.message); }
});
function soundWord() { say($("sound"), sound ? "Sound on" : "Sound off"); $("sound").setAttribute("aria-pressed", String(sound)); }
$("sound").addEventListener("click", () => { sound = !sound; remember.set("sound", sound ? "on" : "off"); soundWord(); beep(); });
soundWord();
$("reveal").addEventListener("click", () => {
  const open = $("answer").hidden;
  reveal(open);
  remember.set("answer", open ? String(lesson.at) : "");
});
if (!hands) tell("Watching only: open the address with the token to use your hands.");

listen("");
requestAnimationFrame(paint);
