// Zooms the timelines. Without it they show the whole run.
"use strict";
for (const chart of document.querySelectorAll(".chart")) {
  const svg = chart.querySelector("svg");
  const left = Number(svg.dataset.left), width = Number(svg.dataset.width), span = Number(svg.dataset.span);
  const plots = svg.querySelectorAll("svg.plot"), marks = svg.querySelectorAll("[data-x]"), axis = svg.querySelector(".axis");
  let from = 0, size = 1000; // the part of the run that shows, of 1000
  const show = () => {
    size = Math.min(1000, Math.max(1000 * Math.min(1, 1e-3 / Math.max(span, 1e-3)), size));
    from = Math.min(1000 - size, Math.max(0, from));
    for (const p of plots) p.setAttribute("viewBox", from + " 0 " + size + " " + p.dataset.h);
    for (const m of marks) {
      const x = (Number(m.dataset.x) - from) / size, w = Number(m.dataset.w || 0) / size;
      const a = Math.max(0, x), b = Math.min(1, x + w);
      m.setAttribute("visibility", x + w < 0 || x > 1 ? "hidden" : "visible");
      if (m.dataset.w) {
        m.setAttribute("x", left + a * width);
        m.setAttribute("width", Math.max(0, b - a) * width);
      } else {
        m.setAttribute("transform", "translate(" + (left + x * width) + " " + m.dataset.y + ")");
      }
    }
    ticks();
  };
  const ticks = () => {
    while (axis.firstChild) axis.firstChild.remove();
    const seen = span * size / 1000, raw = seen / 8;
    let step = Math.pow(10, Math.floor(Math.log10(raw)));
    step *= raw / step > 5 ? 10 : raw / step > 2 ? 5 : raw / step > 1 ? 2 : 1;
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const begin = span * from / 1000;
    for (let t = Math.ceil(begin / step - 1e-9) * step; t <= begin + seen * (1 + 1e-9); t += step) {
      const text = document.createElementNS("http://www.w3.org/2000/svg", "text");
      text.setAttribute("x", left + (t - begin) / seen * width);
      text.setAttribute("y", axis.dataset.y);
      text.setAttribute("text-anchor", "middle");
      text.textContent = t.toFixed(digits) + " s";
      axis.append(text);
    }
  };
  const zoom = (factor, at) => { from += size * at * (1 - factor); size *= factor; show(); };
  const move = (part) => { from += size * part; show(); };
  const whole = () => { from = 0; size = 1000; show(); };
  const acts = { in: () => zoom(0.5, 0.5), out: () => zoom(2, 0.5), all: whole, left: () => move(-0.25), right: () => move(0.25) };
  const tools = chart.previousElementSibling;
  tools.hidden = false;
  for (const b of tools.querySelectorAll("button")) b.addEventListener("click", acts[b.dataset.act]);
  const keys = { "+": "in", "=": "in", "-": "out", "0": "all", ArrowLeft: "left", ArrowRight: "right", Home: "all" };
  chart.addEventListener("keydown", (e) => {
    const act = acts[keys[e.key]];
    if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); act(); }
  });
  const place = (e) => {
    const r = svg.getBoundingClientRect(), unit = r.width / svg.viewBox.baseVal.width;
    return Math.min(1, Math.max(0, ((e.clientX - r.left) / unit - left) / width));
  };
  svg.addEventListener("wheel", (e) => {
    if (!e.ctrlKey && !e.shiftKey) return; // the plain wheel scrolls the page
    e.preventDefault();
    zoom(e.deltaY + e.deltaX > 0 ? 1.25 : 0.8, place(e));
  }, { passive: false });
  let held = null;
  svg.addEventListener("pointerdown", (e) => { if (e.button === 0 && !e.target.closest("a")) { held = { at: place(e), from }; svg.setPointerCapture(e.pointerId); } });
  svg.addEventListener("pointermove", (e) => { if (held) { from = held.from - (place(e) - held.at) * size; show(); } });
  svg.addEventListener("pointerup", () => { held = null; });
  svg.addEventListener("dblclick", (e) => zoom(0.5, place(e)));
  show();
}
// A link to a finding opens it, and printing opens all.
const openTarget = () => {
  const d = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (d && d.tagName === "DETAILS") { d.open = true; d.querySelector("summary").focus(); }
};
addEventListener("hashchange", openTarget);
openTarget();
addEventListener("beforeprint", () => { for (const d of document.querySelectorAll("details")) d.open = true; });
