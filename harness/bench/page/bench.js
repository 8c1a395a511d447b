// The bench: cards for the gauges, and beside them what concerns the one in
// hand.

import { takeToken, get, post, watch, mm } from "./link.js";
import { el, say, Zone } from "./draw.js";
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
  if (!sound) return;
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
    redraw();
  }
}

const faults = [
  ["Lose link 5 s", { do: "lose link", for: "5 s" }], ["Stall 2 s, then a burst", { do: "stall", for: "2 s" }], ["Garble a frame", { do: "garble" }],
  ["Send a frame twice", { do: "duplicate" }], ["Unplug probe 3 s", { do: "unplug probe", for: "3 s" }, true], ["Tip sticks 3 s", { do: "stick tip", for: "3 s" }, true],
  ["Fade cell to 8 %", { do: "fade cell", to: "8 %" }], ["Empty cell", { do: "fade cell", to: "0 %" }], ["Fresh cell", { do: "fade cell", to: "100 %" }],
];

function keys() {
  const box = $("masters");
  box.replaceChildren();
  const key = (to, label, does) => {
    const k = el("button", { type: "button", disabled: !hands }, label);
    k.addEventListener("click", does);
    to.append(k);
  };
  const on = (label, of) => key(box, label, () => {
    const c = hand.lane.c, size = of(c);
    if (size !== null && size !== undefined) hand.on({ do: "move to", size: mm(size), over: "150 ms" });
  });
  on("On the master", (c) => c.preset || c.seat);
  on("On lower limit", (c) => c.limits[0]);
  on("Middle", (c) => c.limits[0] === null || c.limits[3] === null ? null : (c.limits[0] + c.limits[3]) / 2);
  on("On upper limit", (c) => c.limits[3]);
  key(box, "Off the part", () => hand.on({ do: "lift", over: "200 ms" }));
  key(box, "Rock through it", () => hand.on({ do: "rock", size: mm(hand.lane.c.size), angle: "2 °", period: "1 s", swings: 2 }));
  key(box, "Zero", () => hand.on({ do: "zero" }));
  key(box, "Preset", () => hand.on({ do: "preset" }));
  key(box, "Clear max and min", () => hand.on({ do: "clear" }));
  const trouble = $("faults");
  trouble.replaceChildren();
  for (const [label, body, tip] of faults) {
    if (!hand.cast.cell && body.do === "fade cell") continue;
    key(trouble, label, () => tip ? hand.on(body) : hand.do(body));
  }
}

// What is on the wire, and what should have been recorded, of all gauges; the
// one in hand is shown.
let lines = [], tags = [], host = null, fault = "";

function hex(bytes) { return bytes.match(/../g) || []; }

function wireLine(l) {
  const way = { in: "from host", out: "to host", went: "as it went" }[l.way];
  const bad = (l.spans || []).find((s) => !s.good);
  const row = el("li", { className: l.way + (bad ? " bad" : "") }, el("span", { className: "way" }, `${(l.t / 1e9).toFixed(3)} s ${way}`, " ", el("b", {}, l.name || "")));
  const check = (l.spans || []).find((s) => /check|crc|sum|xor|lrc|fletcher/i.test(s.field));
  if (bad) row.append(el("span", { className: "check wrong" }, "✗ " + bad.field + ": " + bad.shows));
  else if (check) row.append(el("span", { className: "check" }, "✓ checksum right"));
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

let stale = true, busy = false;

function redraw() { stale = true; }

function side() {
  if (!stale || !hand) return;
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
      const got = record(l, w), wrong = got && got.wrong;
      rows.push(el("tr", { className: wrong ? "wrong" : got ? "right" : "" },
        el("th", { scope: "row" }, `${l.tag}${l.repeat ? " again" : ""}`), el("td", {}, (w.value ? w.value + " " + w.unit : "no number") + (hand.many ? " " + w.channel : "")), el("td", { title: w.rule }, new Zone().show(w.zone).root),
        el("td", { title: wrong || "" }, !host ? "" : got ? (wrong ? "✗ " : "✓ ") + got.text : "waiting…")));
    }
  }
  $("tags").replaceChildren(...rows);
  $("host-head").hidden = !host;
  const now = last && last.wants[cards.indexOf(hand)];
  const w = now && now[hand.lane.index];
  say($("rule"), w ? "Now: " + (w.value ? `${w.value} ${w.unit} is ${w.zone}, because ` : "") + w.rule + "." : "");
  stale = false;
}

function record(l, w) {
  if (!host) return null;
  const r = host.rows.find((r) => r.gauge === l.gauge && r.tag === l.tag && (!r.channel || r.channel === w.channel));
  return r ? { text: `${r.value} ${r.unit || ""} ${r.zone || ""}`, wrong: r.wrong } : null;
}

function verdict() {
  const box = $("verdict");
  if (!host) { box.hidden = true; return; }
  box.hidden = false;
  box.className = host.wrong ? "wrong" : "right";
  say(box, host.wrong ? `✗ The host is wrong: ${host.why}` : host.rows.length ? `✓ ${host.rows.length} records, all right` : "A host is attached; it has recorded nothing yet.");
}

function note(e) {
  const who = e.g ? e.g + ": " : "";
  let text = e.note || "";
  if (e.k === "link") text = "link " + e.link.state + (e.link.why ? ", " + e.link.why : "");
  if (e.k === "port") text = "port " + e.port.what + (e.port.note ? ", " + e.port.note : "");
  if (e.k === "setting") text = `${e.setting.name}: ${e.setting.from} → ${e.setting.to}`;
  if (e.k === "cell") text = `cell ${e.cell.percent} %${e.cell.low ? " low" : ""}`;
  if (e.k === "request") text = "host asks: " + [e.request.verb, e.request.setting, e.request.value].filter(Boolean).join(" ") + (e.request.refused ? ", refused: " + e.request.refused : "");
  if (e.k === "start") text = "the timeline begins";
  if (!text) return;
  if (e.k === "gauge" && /^buzzer/.test(text)) {
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
  const open = remember.get("answer") === String(i);
  $("answer").hidden = !open || !c.answer;
  $("reveal").setAttribute("aria-expanded", String(open));
}

function beat(m) {
  if (!run || m.run !== current) { begin(m); return; }
  last = m;
  for (let i = 0; i < cards.length; i++) cards[i].show(m.at, m.gauges[i]);
  say($("time"), (m.at / 1e9).toFixed(1) + " s");
  const holds = $("hold");
  if (holds.getAttribute("aria-pressed") !== String(m.held)) {
    holds.setAttribute("aria-pressed", String(m.held));
    say(holds, m.held ? "Go on" : "Hold");
    document.body.classList.toggle("held", m.held);
  }
  if (document.activeElement !== $("pace")) $("pace").value = m.pace === "1x" ? "real" : m.pace;
  $("next").disabled = !hands || m.nextCue < 0;
  say($("cue"), m.nextCue < 0 ? "No cue left: the bench is yours." : `Next at ${(m.nextCue / 1e9).toFixed(1)} s: ${m.nextText}`);
  (m.notes || []).forEach(note);
  if (m.lines) {
    lines.push(...m.lines);
    tags.push(...m.lines.filter((l) => l.tag !== undefined && l.tag !== null));
    if (lines.length > 400) lines = lines.slice(-200);
    if (tags.length > 400) tags = tags.slice(-200);
    redraw();
  }
  if (m.host) { host = m.host; verdict(); redraw(); }
  lesson(m.at);
}

async function begin(m) {
  if (begin.under === m.run) { waiting.push(m); return; }
  begin.under = m.run;
  waiting = [m];
  run = await get("v1/run");
  current = m.run;
  lines = []; tags = []; host = null; lesson.at = undefined;
  $("log").replaceChildren();
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
}
restyle();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { restyle(); repaint(); });
addEventListener("resize", repaint);
function repaint() { cards.forEach((c) => c.lanes.forEach((l) => { l.trace.stale = true; })); }

let beats = 0;
function paint() {
  requestAnimationFrame(paint);
  beats++;
  // A crowd's traces take turns: each is painted at every fourth picture.
  const turn = cards.length > 12 ? 4 : 1;
  cards.forEach((c, i) => { if (i % turn === beats % turn) c.lanes.forEach((l) => l.trace.paint(style)); });
  if (beats % 30 === 0) side();
}

$("hold").addEventListener("click", () => clock({ do: last && last.held ? "go" : "hold" }));
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
  $("answer").hidden = !open;
  $("reveal").setAttribute("aria-expanded", String(open));
  remember.set("answer", open ? String(lesson.at) : "");
});
if (!hands) tell("Watching only: open the address with the token to use your hands.");

watch((m) => beat(m), (ok) => document.body.classList.toggle("deaf", !ok));
requestAnimationFrame(paint);
