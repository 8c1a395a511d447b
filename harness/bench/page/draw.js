// Draws an instrument in section, and its readings over time.

const ns = "http://www.w3.org/2000/svg";

export function svg(name, attrs, ...children) {
  const e = document.createElementNS(ns, name);
  set(e, attrs);
  e.append(...children);
  return e;
}

function set(e, attrs) {
  for (const k in attrs) {
    const v = String(attrs[k]);
    if (e.getAttribute(k) !== v) e.setAttribute(k, v);
  }
}

export function el(name, props, ...children) {
  const e = document.createElement(name);
  for (const k in props) {
    if (k in e && k !== "list") e[k] = props[k]; else e.setAttribute(k, props[k]);
  }
  e.append(...children);
  return e;
}

// say writes a text that only say writes.
export function say(e, text) {
  if (e.said !== text) e.textContent = e.said = text;
}

// frame is the stretch of sizes a channel is drawn in: the tolerance fills most
// of it, and the rest of the stroke is pressed together at both ends, so that
// micrometres at a limit and millimetres of a lift are seen in one picture.
export function frame(c) {
  const [lo, , , hi] = c.limits;
  let mid = c.computed ? 0 : c.preset || c.midStroke, half = 20 * c.step;
  if (lo !== null && hi !== null) { mid = (lo + hi) / 2; half = Math.max((hi - lo) / 2, 4 * c.step); }
  else if (hi !== null) { mid = hi; }
  else if (lo !== null) { mid = lo; }
  const near = 1.5 * half, far = Math.max(c.stroke, 4 * near);
  return {
    mid, near,
    // at is between −1 and 1.
    at(size) {
      const d = size - mid, a = Math.abs(d);
      const v = a <= near ? 0.75 * a / near : 0.75 + 0.25 * Math.min(1, Math.log(a / near) / Math.log(far / near));
      return d < 0 ? -v : v;
    },
    size(v) {
      const a = Math.min(1, Math.abs(v));
      const d = a <= 0.75 ? near * a / 0.75 : near * Math.pow(far / near, (a - 0.75) / 0.25);
      return mid + (v < 0 ? -d : d);
    },
  };
}

let serial = 0;

// Scene is a part and a tip in section. A stand presses its tip onto the top of
// a part on a table; a plug in a bore reaches from one wall to the other.
export class Scene {
  constructor(c) {
    const id = "hatch" + serial++;
    this.plug = Boolean(c.releases);
    this.root = svg("svg", { viewBox: "0 0 200 220", class: "scene", tabindex: 0, role: "slider", "aria-orientation": "vertical" });
    const hatch = svg("pattern", { id, width: 8, height: 8, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
      svg("rect", { width: 8, height: 8, class: "metal" }), svg("line", { x1: 0, y1: 0, x2: 0, y2: 8, class: "cut" }));
    this.part = svg("path", { fill: `url(#${id})`, class: "part" });
    this.body = svg("path", { class: "body" });
    this.stem = svg("path", { class: "stem" });
    this.ball = svg("circle", { r: 8, cx: 100, class: "tip" });
    this.marks = [0, 1, 2, 3].map((i) => svg("path", { class: i === 0 || i === 3 ? "limit" : "warning" }));
    this.hand = svg("path", { class: "hand" });
    this.root.append(svg("defs", {}, hatch), this.part, ...this.marks, this.stem, this.body, this.ball, this.hand);
    if (this.plug) set(this.body, { d: "M64 136 L136 136 L136 186 L108 186 L100 194 L92 186 L64 186 Z M20 150 L64 150 L64 172 L20 172 Z" });
    else set(this.body, { d: "M84 6 L116 6 L116 62 L108 70 L92 70 L84 62 Z M116 18 L176 18 L176 34 L116 34 Z M164 18 L180 18 L180 208 L164 208 Z" });
  }

  // watched makes it a picture that nobody works.
  watched() {
    for (const k of ["tabindex", "aria-orientation"]) this.root.removeAttribute(k);
    this.root.setAttribute("role", "img");
    this.still = true;
  }

  // y is where a size lies in the picture: larger is higher in both.
  y(v) { return this.plug ? 82 - 48 * v : 134 - 46 * v; }
  value(y) { return this.plug ? (82 - y) / 48 : (134 - y) / 46; }

  show(c) {
    const f = this.frame = frame(c), y = this.y(f.at(c.size));
    const away = c.releases ? c.size - c.midStroke > c.stroke / 2 : c.midStroke - c.size > c.stroke / 2;
    const ball = this.ball.r.baseVal.value;
    if (this.plug) {
      const wall = away ? 30 : y;
      set(this.part, { d: `M56 8 L192 8 L192 ${wall} L56 ${wall} Z M8 194 L192 194 L192 214 L8 214 Z`, class: away ? "part away" : "part" });
      const cy = away ? 46 : wall + ball;
      set(this.ball, { cy });
      set(this.stem, { d: `M96 ${cy} L104 ${cy} L104 136 L96 136 Z` });
    } else {
      const top = away ? 196 : y;
      set(this.part, { d: `M56 ${top} L150 ${top} L150 208 L56 208 Z M8 208 L192 208 L192 216 L8 216 Z`, class: away ? "part away" : "part" });
      const cy = away ? 170 : top - ball;
      set(this.ball, { cy });
      set(this.stem, { d: `M96 70 L104 70 L104 ${cy} L96 ${cy} Z` });
    }
    c.limits.forEach((at, i) => {
      const yy = at === null ? 0 : this.y(f.at(at));
      set(this.marks[i], { d: at === null ? "" : `M${i === 0 || i === 3 ? 2 : 14} ${yy} L34 ${yy}` });
    });
    // A hand on the scale says where the size lies between the limits.
    set(this.hand, { d: away ? "" : `M36 ${y} L50 ${y - 7} L50 ${y + 7} Z` });
    this.away = away;
    if (this.still) set(this.root, { "aria-label": `Tip of ${this.title} on ${away ? "nothing" : "the part"}` });
    else set(this.root, { "aria-label": `Tip of ${this.title}: size the gauge is on`, "aria-valuenow": Math.round(c.size / 1e3) / 1e6,
      "aria-valuemin": Math.round((c.midStroke - c.stroke / 2) / 1e3) / 1e6, "aria-valuemax": Math.round((c.midStroke + c.stroke / 2) / 1e3) / 1e6,
      "aria-valuetext": (c.size / 1e9).toFixed(4) + " mm, the gauge reads " + (c.shown ? c.shown + " " + c.unit : c.void) + ", " + c.zone });
  }
}

const span = 12e9; // ns of the trace

const units = { mm: 1e9, "µm": 1e6, cm: 1e10, m: 1e12, in: 25.4e9, thou: 25.4e6, "µin": 25400, nm: 1e3, pm: 1 };

// countOf writes a size in the reading's unit, to a count of it.
function countOf(c) {
  const unit = units[c.unit] || 1e9, places = Math.max(0, Math.round(-Math.log10(c.step / unit)));
  return (size) => {
    const text = (size / unit).toFixed(places);
    return Math.abs(Number(text) * unit - size) < 1 ? text : "≈ " + text;
  };
}

// To ask a canvas for its size at every picture has the page laid out anew each
// time; so it tells when it changes.
const sizes = new ResizeObserver((all) => {
  for (const { target, contentRect } of all) {
    target.trace.size = [contentRect.width, contentRect.height];
    target.trace.stale = true;
  }
});

// Trace is a strip of the last readings between the limits.
export class Trace {
  constructor() {
    this.root = el("canvas", { className: "trace", width: 400, height: 120 });
    this.root.setAttribute("role", "img");
    this.points = [];
    this.size = [0, 0];
    this.root.trace = this;
    sizes.observe(this.root);
  }

  add(t, c) {
    const last = this.points[this.points.length - 1];
    if (last && t < last.t) this.points = [];
    if (!last || t > last.t) this.points.push({ t, v: c.void ? null : c.value, z: c.zone });
    while (this.points.length > 2 && this.points[1].t < t - span) this.points.shift();
    this.now = t;
    this.c = c;
    this.stale = true;
  }

  paint(style) {
    if (!this.stale) return;
    this.stale = false;
    const c = this.c, box = this.root, many = countOf(c), scale = window.devicePixelRatio || 1;
    const w = Math.max(1, Math.round(this.size[0] * scale)), h = Math.max(1, Math.round(this.size[1] * scale));
    if (box.width !== w || box.height !== h) { box.width = w; box.height = h; }
    const g = box.getContext("2d");
    g.clearRect(0, 0, w, h);
    if (!c) return;
    const f = frame(c), font = Math.round((h > 180 * scale ? 14 : 11) * scale), right = w - 12 * scale;
    const y = (size) => h / 2 - f.at(size) * (h / 2 - 3 * scale);
    const x = (t) => right - (this.now - t) / span * right;
    const [lo, wl, wh, hi] = c.limits;
    const band = (a, b, fill) => { g.fillStyle = fill; g.fillRect(0, Math.min(a, b), w, Math.abs(b - a)); };
    const top = hi === null ? 0 : y(hi), bottom = lo === null ? h : y(lo);
    band(0, top, style.out); band(bottom, h, style.out);
    band(top, wh === null ? top : y(wh), style.warn); band(wl === null ? bottom : y(wl), bottom, style.warn);
    g.lineWidth = scale;
    const scales = [[hi, "specification limit ", []], [wh, "warning limit ", [4, 3]], [wl, "warning limit ", [4, 3]], [lo, "specification limit ", []]];
    for (const [at, , dash] of scales) {
      if (at === null) continue;
      g.strokeStyle = style.line; g.setLineDash(dash.map((d) => d * scale));
      g.beginPath(); g.moveTo(0, y(at)); g.lineTo(w, y(at)); g.stroke();
    }
    g.setLineDash([]);
    g.strokeStyle = style.ink; g.lineWidth = 2 * scale; g.lineJoin = "round";
    g.beginPath();
    let down = false, was = 0;
    for (const p of this.points) {
      if (p.v === null) { down = false; continue; }
      const px = x(p.t), py = y(p.v);
      if (down) { g.lineTo(px, was); g.lineTo(px, py); } else g.moveTo(px, py);
      down = true; was = py;
    }
    if (down) { g.lineTo(right, was); g.stroke(); g.fillStyle = style.ink; g.beginPath(); g.moveTo(right, was); g.lineTo(w, was - 6 * scale); g.lineTo(w, was + 6 * scale); g.fill(); } else g.stroke();
    // A label stands outside its limit, a warning's inside its own, and none is
    // drawn where it has no room. The trace passes behind them.
    if (h >= 60 * scale || lo === null && hi === null) g.font = font + "px system-ui, sans-serif"; // which costs a good deal
    const name = (text, base, ground) => {
      g.globalAlpha = 0.85; g.fillStyle = ground;
      g.fillRect(2 * scale, base - 0.85 * font, g.measureText(text).width + 4 * scale, 1.1 * font);
      g.globalAlpha = 1; g.fillStyle = style.text;
      g.fillText(text, 4 * scale, base);
    };
    scales.forEach(([at, text, dash], i) => {
      if (at === null || h < 60 * scale || dash.length && Math.abs(y(wh ?? hi) - y(wl ?? lo)) < 2 * font + 12 * scale) return;
      name(text + many(at), y(at) + (i === 0 || i === 2 ? -4 * scale : font + scale), dash.length ? style.sheet : style.out);
    });
    if (lo === null && hi === null) name("no limits", font + scale, style.sheet);
    if (h > 110 * scale) name("12 s ago", h - 5 * scale, lo === null ? style.sheet : style.out);
    const label = "The last 12 seconds; now " + (c.shown ? c.shown + " " + c.unit : c.void);
    if (box.getAttribute("aria-label") !== label) box.setAttribute("aria-label", label);
  }
}

// A zone has a word, a shape and a colour, in this order of importance.
const shapes = {
  below: "M3 6 L21 6 L12 21 Z", above: "M3 18 L21 18 L12 3 Z",
  "warn-low": "M3 5 L21 5 L21 9 L12 21 L3 9 Z M7 8 L17 8 L12 15 Z", "warn-high": "M3 19 L21 19 L21 15 L12 3 L3 15 Z M7 16 L17 16 L12 9 Z",
  inside: "M12 3 A9 9 0 1 0 12 21 A9 9 0 1 0 12 3 Z M10 17 L5 12 L7 10 L10 13 L17 7 L19 9 Z", void: "M4 10 L20 10 L20 14 L4 14 Z",
};
export const words = { below: "below", "warn-low": "warn-low", inside: "inside", "warn-high": "warn-high", above: "above", void: "no reading" };
const whys = { under: "under range", over: "over range", missing: "no probe", empty: "nothing measured", off: "gauge off", starting: "gauge starts" };

export class Zone {
  constructor() {
    this.path = svg("path", { "fill-rule": "evenodd" });
    this.word = el("span", {});
    this.root = el("span", { className: "zone" }, svg("svg", { viewBox: "0 0 24 24", "aria-hidden": "true" }, this.path), this.word);
  }

  show(zone, why) {
    const word = zone === "void" && why ? whys[why] || why : words[zone] || zone;
    say(this.word, word);
    if (this.was === zone) return this;
    this.was = zone;
    set(this.path, { d: shapes[zone] || shapes.void });
    this.root.className = "zone " + zone;
    return this;
  }
}
