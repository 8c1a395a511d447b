// The two screens of a lesson: the class watches, the presenter holds.

import { takeToken, post, follow } from "./link.js";
import { el, say } from "./draw.js";
import { Card } from "./card.js";

const $ = (id) => document.getElementById(id);
const presents = document.body.classList.contains("presenter");
takeToken();

const tell = (text) => say($("message"), text);
async function ask(path, body) {
  try { await post(path, body); tell(""); } catch (e) { tell(e.message); }
}

let run = 0, now = null, cards = [];

function begin(m) {
  run = m.run;
  document.title = (presents ? "Presenter: " : "") + m.title;
  say($("title"), m.title);
  cards = m.cast.map((c, i) => new Card({ buttons: ["", ""], ...c }, m.gauges[i], presents ? (a) => ask("v1/acts", a) : () => {}, () => {}, !presents));
  $("gauges").className = "few";
  $("gauges").dataset.count = String(cards.length);
  $("gauges").replaceChildren(...cards.map((c) => c.root));
}

function beat(m) {
  now = m;
  if (m.run !== run) begin(m);
  cards.forEach((c, i) => c.show(m.at, m.gauges[i]));
  say($("time"), (Math.floor(m.at / 1e8) / 10).toFixed(1) + " s");
  document.body.classList.toggle("paused", m.held);
  say($("heading"), m.chapter ? `${m.chapter} of ${m.of}: ${m.heading}` : m.title);
  const n = m.notes;
  say($("ask"), (n ? n.ask : m.ask) || "");
  if (n && presents) notes(m, n);
}

function notes(m, n) {
  say($("say"), n.say);
  say($("answer"), n.answer ? "Answer: " + n.answer : "");
  say($("aim"), n.aim ? "Aim: " + n.aim : "");
  say($("cue"), n.nextCue < 0 ? "No cue left." : `Next at ${(n.nextCue / 1e9).toFixed(1)} s: ${n.nextText}`);
  say($("go"), m.held ? "Go on" : "Hold");
  $("back").disabled = m.chapter < 2;
  $("forward").disabled = m.chapter >= m.of;
  $("class").href = n.class;
  const box = $("chapters");
  if (box.childElementCount !== n.chapters.length) {
    box.replaceChildren(...n.chapters.map((title, i) => {
      const b = el("button", { type: "button" }, `${i + 1} ${title}`);
      b.addEventListener("click", () => ask("v1/chapter", { chapter: i + 1 }));
      return el("li", {}, b);
    }));
  }
  [...box.children].forEach((li, i) => li.firstChild.setAttribute("aria-current", String(i + 1 === m.chapter)));
}

if (presents) {
  $("go").addEventListener("click", () => ask("v1/clock", { do: now && now.held ? "go" : "pause" }));
  $("back").addEventListener("click", () => ask("v1/chapter", { chapter: now.chapter - 1 }));
  $("forward").addEventListener("click", () => ask("v1/chapter", { chapter: now.chapter + 1 }));
}

let style = {};
function restyle() {
  const s = getComputedStyle(document.documentElement);
  for (const k of ["out", "warn", "line", "text", "ink"]) style[k] = s.getPropertyValue("--trace-" + k).trim();
  style.sheet = s.getPropertyValue("--sheet").trim();
  cards.forEach((c) => c.lanes.forEach((l) => { l.trace.stale = true; }));
}
restyle();
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", restyle);
addEventListener("resize", restyle);
function paint() {
  requestAnimationFrame(paint);
  cards.forEach((c) => c.lanes.forEach((l) => l.trace.paint(style)));
}
requestAnimationFrame(paint);

follow("v1/lesson", beat, (ok, why) => { document.body.classList.toggle("deaf", !ok); if (why) tell(why); });
