// The lesson on paper: the questions with room to write, and the answers on a
// sheet of their own.

import { get } from "./link.js";
import { el } from "./draw.js";

const run = await get("v1/run");
document.title = run.title;
document.getElementById("title").textContent = run.title;
document.getElementById("answers-title").textContent = "Answers. " + run.title;
document.getElementById("notice").textContent = run.notice || "";
document.getElementById("facts").textContent = (run.feature ? "Feature: " + run.feature + ". " : "") + "Gauges: " + run.gauges.map((g) => g.name).join(", ") + ".";
for (const c of run.chapters || []) {
  document.getElementById("questions").append(el("li", {}, el("b", {}, c.title), c.say, el("i", {}, c.ask || ""), el("span", { className: "line" }), el("span", { className: "line" })));
  document.querySelector("#answers ol").append(el("li", {}, el("b", {}, c.ask || c.title), c.answer || ""));
}
