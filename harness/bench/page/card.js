// One gauge on the bench.

import { el, svg, say, Scene, Trace, Zone } from "./draw.js";
import { mm } from "./link.js";

const colours = { green: "#1f9d55", teal: "#0f8b8d", red: "#d1495b", magenta: "#c2338f", amber: "#e09f1f", yellow: "#e3c21f", blue: "#2f6fd0", violet: "#7d4fd0", white: "#ffffff", orange: "#e8772e" };

class Lane {
  constructor(card, c, index) {
    this.card = card;
    this.index = index;
    this.zone = new Zone();
    this.trace = new Trace();
    this.figures = el("span", { className: "figures" });
    this.unit = el("span", { className: "unit" });
    this.name = el("span", { className: "lane-name" });
    this.root = el("div", { className: "lane" });
    if (!c.computed) {
      this.scene = new Scene(c);
      this.scene.title = card.name + (card.many ? " " + c.name : "");
      this.root.append(this.scene.root);
      if (card.watched) this.scene.watched();
      else this.hands();
    } else this.root.classList.add("computed");
    this.root.append(el("div", { className: "read" }, this.figures, el("span", { className: "of" }, this.unit, this.name), this.zone.root), this.trace.root);
  }

  // hands lets the tip be moved: dragged, by the wheel, by the keyboard.
  hands() {
    const root = this.scene.root;
    let grip = null;
    const to = (size) => this.card.move(this, size);
    const at = (e) => {
      const box = root.getBoundingClientRect(), scale = Math.min(box.width / 200, box.height / 220);
      return (e.clientY - box.top - (box.height - 220 * scale) / 2) / scale;
    };
    root.addEventListener("pointerdown", (e) => {
      this.card.pick(this);
      const v = this.scene.frame.at(this.c.size);
      grip = { from: at(e), v };
      root.setPointerCapture(e.pointerId);
    });
    root.addEventListener("pointermove", (e) => {
      if (!grip) return;
      const f = this.scene.frame, per = this.scene.value(at(e)) - this.scene.value(grip.from);
      to(Math.round(f.size(Math.max(-1, Math.min(1, grip.v + per))) / this.c.step) * this.c.step);
    });
    const drop = () => { grip = null; };
    root.addEventListener("pointerup", drop);
    root.addEventListener("pointercancel", drop);
    const counts = (n) => {
      const from = this.wanted !== undefined ? this.wanted : Math.round(this.c.size / this.c.step) * this.c.step;
      to(from + n * this.c.step);
    };
    root.addEventListener("wheel", (e) => { e.preventDefault(); this.card.pick(this); counts(e.deltaY < 0 ? 1 : -1); }, { passive: false });
    root.addEventListener("keydown", (e) => {
      const n = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10 }[e.key];
      if (n === undefined) return;
      e.preventDefault();
      counts(n);
    });
  }

  show(t, c) {
    this.c = c;
    if (this.wanted !== undefined && Math.abs(this.wanted - c.size) < 1) this.wanted = undefined;
    say(this.figures, c.shown || "– – –");
    const places = Math.max(6, (c.shown || "").length);
    if (this.places !== places) this.figures.style.setProperty("--places", this.places = places);
    say(this.unit, c.shown ? c.unit : "");
    say(this.name, (this.card.many ? c.name + " " : "") + (c.function === "live" ? "" : c.function));
    this.zone.show(c.zone, c.void);
    this.root.classList.toggle("out", c.zone === "below" || c.zone === "above");
    this.trace.add(t, c);
    if (this.scene) this.scene.show(c);
  }
}

export class Card {
  constructor(cast, view, act, picked, watched = false) {
    this.watched = watched; // nobody works it
    this.name = cast.name;
    this.cast = cast;
    this.act = act;
    this.picked = picked;
    this.many = view.channels.length > 1;
    this.lanes = view.channels.map((c, i) => new Lane(this, c, i));
    this.lane = this.lanes[0];
    this.tags = el("output", { className: "tags" });
    this.lamps = (view.lamps || []).map((l) => {
      const disc = svg("circle", { cx: 8, cy: 8, r: 6 }), word = el("span", {});
      return { disc, word, root: el("span", { className: "lamp" }, svg("svg", { viewBox: "0 0 16 16", "aria-hidden": "true" }, disc), word), name: l.name };
    });
    this.buzz = el("span", { className: "buzz", hidden: true });
    this.alarms = el("div", { className: "alarms" });
    this.beside = el("p", { className: "beside", hidden: true });
    this.fill = svg("rect", { x: 3, y: 4, height: 8, class: "charge" });
    this.cellWord = el("span", {});
    this.cell = el("span", { className: "cell" }, svg("svg", { viewBox: "0 0 30 16", "aria-hidden": "true" }, svg("rect", { x: 1, y: 2, width: 25, height: 12, rx: 2, class: "case" }), svg("rect", { x: 26, y: 6, width: 3, height: 4, class: "cap" }), this.fill), this.cellWord);
    this.dashes = [0, 1, 2].map((i) => svg("path", { d: `M${8.5 + 4.5 * i} 8h2.5`, class: "dash" }));
    this.linkWord = el("span", {});
    this.link = el("span", { className: "link" }, svg("svg", { viewBox: "0 0 28 16", "aria-hidden": "true" }, ...this.dashes, svg("circle", { cx: 4, cy: 8, r: 3, class: "dot" }), svg("rect", { x: 22, y: 4.5, width: 5, height: 7, class: "dot" })), this.linkWord);
    this.port = el("span", { className: "port" });
    const [a, b] = cast.buttons;
    const push = (label, does, body) => {
      const k = el("button", { type: "button", className: "push" }, el("b", {}, label), does ? " " + does : "");
      let from = 0;
      k.addEventListener("pointerdown", () => { this.pick(this.lane); from = performance.now(); k.classList.add("held"); });
      const off = () => k.classList.remove("held");
      k.addEventListener("pointerup", off);
      k.addEventListener("pointercancel", off);
      k.press = (held) => this.do({ ...body, ...(held > 500 ? { for: Math.round(held) + " ms" } : {}) });
      k.addEventListener("click", (e) => k.press(e.detail === 0 ? 0 : performance.now() - from)); // 0: by Enter or by a program
      return k;
    };
    this.keys = [push("A", a, { do: "press", button: "A" }), push("B", b, { do: "press", button: "B" }), push("Pedal", "", { do: "press pedal" })];
    this.heading = el("h2", {}, el("button", { type: "button", className: "name" }, cast.name));
    this.heading.firstChild.addEventListener("click", () => this.pick(this.lane));
    this.root = el("article", { className: "card" + (this.many ? " many" : "") },
      el("div", { className: "head" }, this.heading, this.tags, this.buzz),
      this.alarms, this.beside,
      ...this.lanes.map((l) => l.root),
      el("div", { className: "state" }, ...this.lamps.map((l) => l.root), this.cell, this.link, this.port),
      el("div", { className: "keys" }, ...this.keys));
    this.root.setAttribute("aria-label", "Gauge " + cast.name);
    // On the card the keys a, b and p are its buttons, held as long as they are.
    const key = (e) => this.keys[{ a: 0, b: 1, p: 2 }[e.key.toLowerCase()]];
    let down = null, since = 0;
    this.root.addEventListener("keydown", (e) => {
      const k = key(e);
      if (!k || k.disabled || e.ctrlKey || e.metaKey || e.altKey) return;
      e.preventDefault();
      if (e.repeat || down) return;
      down = k;
      since = performance.now();
      k.classList.add("held");
    });
    const up = (press) => {
      if (!down) return;
      down.classList.remove("held");
      if (press) down.press(performance.now() - since);
      down = null;
    };
    this.root.addEventListener("keyup", (e) => { if (key(e) === down) up(true); });
    this.root.addEventListener("focusout", () => up(false));
  }

  // alarm tells in large letters what is wrong with the gauge.
  alarm(v) {
    const list = [];
    if (v.power === "off") list.push(this.cast.cell && v.percent === 0 ? "cell empty: gauge off" : "gauge off");
    else if (v.link !== "up") list.push("link " + v.link);
    else if (v.waiting) list.push("tags wait until a host opens the port");
    if (v.asked) list.push(`line speed ${v.serialLine.split(" ")[0]}, the host at ${v.asked.split(" ")[0]}`);
    if (v.low && v.power !== "off") list.push("cell low");
    v.channels.forEach((c, i) => {
      const of = this.many ? " of " + c.name : "";
      if (c.missing) list.push("probe" + of + " unplugged");
      if (c.stuck) list.push("tip" + of + " sticks");
      const scene = this.lanes[i].scene;
      if (scene && scene.away && !c.missing) list.push(" off the part" + of);
    });
    const all = list.join("\n");
    if (this.alarmed === all) return;
    this.alarmed = all;
    this.alarms.replaceChildren(...list.map((a) => a.startsWith(" ") ? el("span", { className: "mild" }, a.trim()) : el("span", {}, "▲ " + a)));
  }

  // compare tells what the host made of the last tag that it got wrong, else of
  // the last.
  compare(c) {
    this.beside.hidden = !c;
    if (!c) return;
    this.beside.className = "beside " + (c.wrong ? "wrong" : c.got ? "right" : "");
    const [sign, text] = c.wrong ? ["✗ ", `${c.got}, not ${c.want}`] : c.got ? ["✓ ", "it right"] : ["", "nothing yet"];
    const all = [sign, `Tag ${c.tag}${c.of}: `, "host has ", text];
    if (this.compared === all.join()) return;
    this.compared = all.join();
    this.beside.replaceChildren(all[0], all[1], c.wrong ? el("span", { className: "wide" }, all[2]) : all[2], all[3]);
  }

  pick(lane) { this.lane = lane; this.picked(this); }

  do(act) { return this.act({ ...act, gauge: this.name }); }

  // on does something to the tip of the lane in hand, after what a drag has
  // asked for already.
  async on(act, lane = this.lane) {
    lane.next = undefined;
    while (lane.moving) await lane.moving;
    return this.tip(act, lane);
  }

  tip(act, lane) { return this.do(this.many && !lane.c.computed ? { ...act, channel: lane.c.name } : act); }

  // move sends the last size asked for, one request at a time: a drag asks for
  // more of them than are worth a request each.
  move(lane, size) {
    lane.wanted = size;
    lane.next = size;
    if (!lane.moving) lane.moving = this.follow(lane).finally(() => { lane.moving = null; });
  }

  async follow(lane) {
    while (lane.next !== undefined) {
      const at = lane.next;
      lane.next = undefined;
      await this.tip({ do: "rest on", size: mm(at) }, lane);
      await new Promise((r) => setTimeout(r, 16));
    }
  }

  show(t, v) {
    this.view = v;
    v.channels.forEach((c, i) => this.lanes[i].show(t, c));
    if (this.count !== undefined && v.tags > this.count) {
      this.tags.classList.remove("flash");
      void this.tags.offsetWidth; // so that the flash begins anew
      this.tags.classList.add("flash");
    }
    this.count = v.tags;
    say(this.tags, `${v.tags} tag${v.tags === 1 ? "" : "s"}` + (v.waiting ? `, ${v.waiting} wait` : ""));
    (v.lamps || []).forEach((l, i) => {
      const lamp = this.lamps[i], [on = 0, off = 0] = l.rhythm || [];
      const lit = l.colour && (!off || (performance.now() % (on + off)) < on);
      lamp.disc.style.fill = lit ? colours[l.colour] || l.colour : "transparent";
      say(lamp.word, l.name + ": " + l.state);
    });
    this.cell.hidden = !this.cast.cell || v.power === "off";
    this.fill.setAttribute("width", Math.max(0, 21 * v.percent / 100));
    this.cell.classList.toggle("bad", Boolean(v.low));
    say(this.cellWord, v.percent + " %" + (v.low ? " LOW" : ""));
    const r = this.cast.radio, good = v.link === "up" || v.link === "stalled";
    const bars = !good ? 0 : !r || r.margin > 20 ? 3 : r.margin > 10 ? 2 : 1;
    this.dashes.forEach((a, i) => a.classList.toggle("on", i < bars));
    this.link.classList.toggle("bad", v.link !== "up");
    say(this.linkWord, "link " + v.link + (r && good ? ` ${Math.round(r.metres)} m, ${Math.round(r.margin)} dB` : ""));
    say(this.port, (v.open ? "port open" : "port not open") + (v.unread ? `, ${v.unread} bytes unread` : ""));
    this.alarm(v);
    this.keys.forEach((k, i) => k.classList.toggle("down", v.down[i]));
  }
}
