// The layout table: buttons on the panel, dragged with mouse, finger or keys, judged while they move.

import { post, say } from "/static/app.js";
import { findings, fixed, inside, landing } from "/static/checks.js";

const SVG = "http://www.w3.org/2000/svg";
const INCH = 25.4;
const CARD_MM = [85.6, 53.98]; // ISO/IEC 7810, ID-1
const SCREEN = "handcapture-screen";
const MARGIN_MM = 14;
const WAIT_MS = 350;
const NEAR_MM = 30;
const MOST_WEBS = 4;

function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value !== null && value !== false) made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children);
  return made;
}

function svg(name, attributes = {}, text = null) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== null) made.textContent = text;
  return made;
}

class Table {
  constructor(bench) {
    this.bench = bench;
    this.base = bench.dataset.table;
    this.chosen = [];
    this.drag = null;
    this.waiting = {};
    this.timer = 0;
    this.sending = Promise.resolve();
    this.under = null;
    this.several = false;
    this.landed = new Map();
    this.frame = 0;
    this.turn = 0; // goes up with every change that is asked for or answered
  }

  async start() {
    if (!(await this.fetch())) return;
    this.build();
    this.draw();
  }

  async fetch() {
    const turn = this.turn;
    const response = await fetch(`${this.base}.json`, { headers: { Accept: "application/json" } });
    if (!response.ok) return false;
    const told = await response.json();
    if (turn !== this.turn) return false; // overtaken by a change, which is told of as well
    this.take(told);
    return true;
  }

  take(told) {
    this.model = told.panel ? told : { ...this.model, ...told };
    this.places = this.model.places;
    this.locked = this.model.locked;
    const mine = new Set(this.model.checked_by_page);
    this.held = this.model.findings.filter((one) => !mine.has(one.code));
  }

  get t() { return this.model.texts; }

  // Building

  build() {
    const { t } = this;
    const button = (name, run, second = true) => el("button", { type: "button", class: second ? "second" : "", id: `do-${name}`, onclick: run }, t[name]);
    this.undoButton = button("undo", () => this.go(-1));
    this.redoButton = button("redo", () => this.go(1));
    this.lockButton = button("lock", () => this.toggleLock());
    this.severalButton = button("several", () => {
      this.several = !this.several;
      this.severalButton.setAttribute("aria-pressed", String(this.several));
      this.severalButton.classList.toggle("second", !this.several);
    });
    this.severalButton.setAttribute("aria-pressed", "false");
    this.refitButton = button("refit", () => this.refit());
    const bar = el("div", { class: "bar", role: "toolbar", "aria-label": t.table },
      this.undoButton, this.redoButton, this.lockButton, this.severalButton,
      button("align_level", () => this.align(1)), button("align_upright", () => this.align(0)),
      button("align_line", () => this.alignLine()), button("mirror", () => this.mirror()), this.refitButton);
    this.underSelect = el("select", { id: "under", onchange: () => { this.under = this.underSelect.value; this.drawUnder(); } });
    this.ghostSelect = el("select", { id: "ghost", onchange: () => this.drawGhost() });
    this.sizeSelect = el("select", { id: "size", onchange: () => this.resize() },
      el("option", { value: "fit" }, t.size_fit), el("option", { value: "large" }, t.size_large),
      el("option", { value: "true" }, t.size_true));
    // On a phone the whole panel is too small for a fingertip.
    if (innerWidth < 600) this.sizeSelect.value = "large";
    const view = el("div", { class: "bar" },
      el("label", {}, t.under, this.underSelect), el("label", {}, t.ghost, this.ghostSelect),
      el("label", {}, t.size, this.sizeSelect), button("calibrate", () => this.calibrate()));
    this.svg = svg("svg", { role: "group", "aria-label": t.table });
    this.stage = el("div", { class: "stage", tabindex: "-1" });
    this.stage.append(this.svg);
    this.read = el("p", { class: "read", id: "read", "aria-live": "polite" });
    this.count = el("p", { id: "found-count", "aria-live": "polite", class: "quiet" });
    this.list = el("ul", { class: "found", id: "found" });
    this.letter = el("input", { id: "keep-letter", maxlength: "8", autocomplete: "off", size: "4" });
    const keep = el("form", { class: "line", onsubmit: (event) => { event.preventDefault(); this.keep(); } },
      el("label", {}, t.save, this.letter), el("button", { id: "do-save" }, t.save));
    this.bench.replaceChildren(
      // On a phone the table comes first, its tools below it.
      el("div", {}, ...(innerWidth < 600 ? [this.stage, bar, view] : [bar, view, this.stage]), el("p", { class: "quiet" }, t.hint)),
      el("div", {}, this.read, keep, el("h2", { id: "found-h" }, t.findings), this.count, this.list, el("p", { class: "quiet" }, t.held)));
    this.svg.addEventListener("pointerdown", (event) => this.down(event));
    // Or the browser takes a drag by finger for scrolling.
    this.svg.addEventListener("touchstart", (event) => { if (event.target.closest?.(".b")) event.preventDefault(); }, { passive: false });
    this.svg.addEventListener("pointermove", (event) => this.move(event));
    this.svg.addEventListener("pointerup", (event) => this.up(event));
    this.svg.addEventListener("pointercancel", () => this.cancel());
    this.svg.addEventListener("keydown", (event) => this.key(event));
    this.svg.addEventListener("focusin", (event) => {
      const label = event.target.closest?.(".b")?.dataset.label;
      if (label && !this.drag && !this.chosen.includes(label)) { this.chosen = [label]; this.show(); }
    });
    this.bench.addEventListener("keydown", (event) => this.undoKey(event));
  }

  draw() {
    const { panel, buttons } = this.model;
    const box = [-MARGIN_MM, -MARGIN_MM, panel.width_mm + 2 * MARGIN_MM, panel.height_mm + 2 * MARGIN_MM];
    this.svg.setAttribute("viewBox", box.join(" "));
    this.underLayer = svg("g");
    this.ghostLayer = svg("g");
    this.sizeLayer = svg("g", { "aria-hidden": "true" });
    const plate = svg("path", { class: "plate", d: `M${panel.line.map(([x, y]) => `${x.toFixed(3)} ${y.toFixed(3)}`).join("L")}Z` });
    const fixtures = svg("g");
    for (const obstacle of panel.obstacles) if (!obstacle.opening) fixtures.append(this.shape(obstacle, "keep"));
    for (const cut of panel.cuts) fixtures.append(this.shape(cut, "cut"));
    this.wishLayer = svg("g");
    this.marks = new Map();
    const layer = svg("g");
    for (const button of buttons) {
      const mark = this.mark(button);
      this.marks.set(button.label, mark);
      layer.append(mark.group);
      this.wishLayer.append(mark.line, mark.dot);
    }
    this.svg.replaceChildren(this.underLayer, plate, fixtures, this.wishLayer, this.ghostLayer, layer, this.sizeLayer);
    this.fillSelects();
    this.drawUnder();
    this.drawGhost();
    this.resize();
    this.show();
    this.bench.dataset.ready = "1";
  }

  shape(thing, name) {
    const [x, y] = thing.centre_mm;
    if (thing.shape === "circle") return svg("circle", { class: name, cx: x, cy: y, r: thing.diameter_mm / 2 });
    const [width, height] = thing.size_mm;
    return svg("rect", { class: name, x: x - width / 2, y: y - height / 2, width, height, rx: thing.corner_radius_mm ?? 0 });
  }

  mark(button) {
    const group = svg("g", { class: "b", tabindex: "0", role: "button", "data-label": button.label });
    const radius = button.hole_mm / 2;
    group.append(svg("circle", { class: "halo", r: Math.max(radius, button.top_radius_mm) + 2 }));
    if (button.top_radius_mm > radius) group.append(svg("circle", { class: "rim", r: button.top_radius_mm }));
    group.append(svg("circle", { class: "hole", r: radius }));
    const name = svg("text", { y: 0.2 }, button.label);
    if (button.label.length > 9) { name.setAttribute("textLength", Math.max(button.hole_mm - 3, 6)); name.setAttribute("lengthAdjust", "spacingAndGlyphs"); }
    const share = svg("text", { class: "share", y: 5.6 });
    const bolt = svg("path", { class: "bolt", d: `M-2 ${2.6 - radius}h4v3h-4z M-1.3 ${2.6 - radius}v-0.8a1.3 1.3 0 0 1 2.6 0v0.8h-0.7v-0.8a0.6 0.6 0 0 0 -1.2 0v0.8z` });
    group.append(name, share, bolt);
    const [x, y] = button.wish_mm;
    return { group, share, line: svg("line", { class: "wish", x2: x, y2: y }), dot: svg("circle", { class: "wish-dot", cx: x, cy: y, r: 0.8 }), button };
  }

  fillSelects() {
    const { t, model } = this;
    const under = this.under ?? (model.pictures[0] ? String(model.pictures[0].photo) : "");
    this.under = under;
    this.underSelect.replaceChildren(el("option", { value: "" }, t.blank),
      ...model.pictures.map((p) => el("option", { value: String(p.photo) }, `${t.photo} ${p.photo}`)));
    this.underSelect.value = under;
    if (this.underSelect.selectedIndex < 0) { this.underSelect.value = ""; this.under = ""; }
    const was = this.ghostSelect.value;
    this.ghostSelect.replaceChildren(el("option", { value: "" }, t.nothing),
      ...model.revisions.map((r) => el("option", { value: String(r.layout) }, `${t.revision} ${r.letter}`)));
    this.ghostSelect.value = was;
    if (this.ghostSelect.selectedIndex < 0) this.ghostSelect.value = "";
    if (document.activeElement !== this.letter) this.letter.value = model.next_letter;
  }

  drawUnder() {
    const picture = this.model.pictures.find((p) => String(p.photo) === this.under);
    this.svg.classList.toggle("with-photo", Boolean(picture));
    this.underLayer.replaceChildren();
    if (!picture) return;
    const [x, y] = [picture.corner_mm[0] - this.model.origin_mm[0], picture.corner_mm[1] - this.model.origin_mm[1]];
    const href = `${this.base.replace(/table$/, "photos")}/${picture.photo}/square.jpg?${picture.stamp}`;
    this.underLayer.append(svg("image", { href, x, y, width: picture.size_mm[0], height: picture.size_mm[1], preserveAspectRatio: "none" }));
  }

  async drawGhost() {
    const layout = this.ghostSelect.value;
    if (!layout) { this.ghostLayer.replaceChildren(); return; }
    const response = await fetch(`${this.base}/${layout}.json`, { headers: { Accept: "application/json" } });
    if (!response.ok) return;
    const { holes } = await response.json();
    this.ghostLayer.replaceChildren(...holes.map((hole) => svg("circle", { class: "ghost", cx: hole.centre_mm[0], cy: hole.centre_mm[1], r: hole.hole_mm / 2 })));
  }

  // Showing

  show() {
    const landings = this.landings();
    const found = findings(this.model, this.places, this.locked, this.held, landings);
    this.found = found;
    const worst = new Map();
    for (const one of found) {
      if (one.waived === null && one.severity !== "advice") {
        for (const label of one.concerns) if (worst.get(label) !== "error") worst.set(label, one.severity);
      }
    }
    for (const [label, mark] of this.marks) this.showMark(label, mark, landings[label], worst.get(label));
    this.showFound(found);
    this.showSizes();
    this.showRead(landings);
    this.undoButton.disabled = this.model.at === 0 && !this.pending;
    this.redoButton.disabled = this.model.at >= this.model.steps || this.pending;
    this.refitButton.disabled = this.model.busy;
    this.refitButton.textContent = this.model.busy ? this.t.refitting : this.t.refit;
    const first = this.chosen[0];
    this.lockButton.disabled = !first;
    this.lockButton.textContent = first && this.locked[first] ? this.t.unlock : this.t.lock;
  }

  landings() {
    const found = {};
    for (const button of this.model.buttons) {
      const [x, y] = this.places[button.label];
      const was = this.landed.get(button.label);
      if (was && was.button === button && was.x === x && was.y === y) found[button.label] = was.share;
      else {
        const share = landing(button, [x, y], this.model.limits);
        this.landed.set(button.label, { button, x, y, share });
        found[button.label] = share;
      }
    }
    return found;
  }

  get pending() { return Object.keys(this.waiting).length > 0; }

  showMark(label, mark, share, severity) {
    const [x, y] = this.places[label];
    const { t } = this;
    mark.group.setAttribute("transform", `translate(${x} ${y})`);
    mark.line.setAttribute("x1", x);
    mark.line.setAttribute("y1", y);
    const lands = share === null ? "" : `${fixed(100 * share, 0)} %`;
    if (mark.share.textContent !== lands) mark.share.textContent = lands;
    const chosen = this.chosen.includes(label);
    const name = ["b", severity ?? "", chosen ? "chosen" : "", this.locked[label] ? "locked" : ""].filter(Boolean).join(" ");
    if (mark.group.getAttribute("class") !== name) mark.group.setAttribute("class", name);
    const words = `${label}, ${mark.button.side} ${mark.button.finger}, x ${fixed(x, 1)}, y ${fixed(y, 1)} mm, ${t.lands} ${lands || "?"}${this.locked[label] ? `, ${t.locked}` : ""}`;
    if (mark.words !== words) { mark.words = words; mark.group.setAttribute("aria-label", words); }
    mark.group.setAttribute("aria-pressed", String(chosen));
  }

  showFound(found) {
    const { t } = this;
    const key = JSON.stringify(found.map((one) => [one.message, one.waived]));
    if (key === this.shownFound) return;
    this.shownFound = key;
    const items = found.map((one) => el("li", { "data-code": one.code },
      el("span", { class: `tag ${one.severity}` }, t[one.severity]), ` ${one.message} `,
      el("span", { class: "remedy" }, one.waived === null ? one.remedy : `${t.waived}: ${one.waived}`)));
    this.list.replaceChildren(...items);
    if (!found.length) this.list.append(el("li", {}, t.no_findings));
    // Said aloud once the button is let go; until then only shown.
    this.count.setAttribute("aria-live", this.drag ? "off" : "polite");
    this.tellCount(found);
  }

  // The webs to the nearest neighbours of what is chosen, and its distance from the edge.
  showSizes() {
    const label = this.chosen[0];
    const lines = [];
    if (label) {
      const { panel, buttons } = this.model;
      const { button } = this.marks.get(label);
      const [x, y] = this.places[label];
      const webs = buttons.filter((other) => other.label !== label).map((other) => {
        const [ox, oy] = this.places[other.label];
        const apart = Math.hypot(ox - x, oy - y);
        return { other, apart, web: apart - (button.hole_mm + other.hole_mm) / 2, way: [(ox - x) / (apart || 1), (oy - y) / (apart || 1)] };
      }).filter(({ web }) => web < NEAR_MM).sort((a, b) => a.web - b.web).slice(0, MOST_WEBS);
      for (const { web, way } of webs) {
        const from = button.hole_mm / 2;
        lines.push(...this.size([x + way[0] * from, y + way[1] * from], [x + way[0] * (from + web), y + way[1] * (from + web)], web, panel.web_mm));
      }
      const edge = inside([x, y], button.hole_mm / 2, panel);
      const up = y < panel.height_mm / 2 ? -1 : 1;
      const words = svg("text", { class: edge < panel.edge_mm - 0.005 ? "size-text thin" : "size-text", x, y: y + up * (button.hole_mm / 2 + 3) + 2 }, `${this.t.edge} ${fixed(edge, 1)}`);
      if (edge < NEAR_MM) lines.push(words);
    }
    this.sizeLayer.replaceChildren(...lines);
  }

  size([ax, ay], [bx, by], length, least) {
    const thin = length < least - 0.005 ? " thin" : "";
    return [svg("line", { class: `size${thin}`, x1: ax, y1: ay, x2: bx, y2: by }),
      svg("text", { class: `size-text${thin}`, x: (ax + bx) / 2, y: (ay + by) / 2 - 1 }, fixed(length, 1))];
  }

  tellCount(found) {
    const of = (severity) => found.filter((one) => one.severity === severity && one.waived === null).length;
    this.count.textContent = ["error", "warning", "advice"].map((s) => `${this.t[s]}: ${of(s)}`).join(", ");
  }

  showRead(landings) {
    const { t } = this;
    const label = this.chosen[0];
    if (!label) { this.read.textContent = t.none_chosen; return; }
    const { button } = this.marks.get(label);
    const [x, y] = this.places[label];
    const moved = Math.hypot(x - button.wish_mm[0], y - button.wish_mm[1]);
    const share = landings[label];
    const more = this.chosen.length > 1 ? ` (+${this.chosen.length - 1} ${t.chosen})` : "";
    this.read.textContent = `${label}${more} ${t.at} ${fixed(x, 2)}, ${fixed(y, 2)} ${t.mm} (${fixed(x / INCH, 3)}, ${fixed(y / INCH, 3)} ${t.inch}); ${fixed(moved, 1)} ${t.mm} ${t.moved}${share === null ? "" : `; ${t.lands} ${fixed(100 * share, 1)} %`}${this.locked[label] ? `; ${t.locked}` : ""}.`;
  }

  // Moving

  point(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.drag?.inverse ?? this.svg.getScreenCTM().inverse());
    return [at.x, at.y];
  }

  down(event) {
    const group = event.target.closest?.(".b");
    if (!group || event.button > 0) {
      if (event.target === this.svg || event.target.classList.contains("plate")) { this.chosen = []; this.show(); }
      return;
    }
    const { label } = group.dataset;
    const adds = event.shiftKey || this.several;
    if (adds) this.chosen = this.chosen.includes(label) ? this.chosen.filter((l) => l !== label) : [...this.chosen, label];
    else if (!this.chosen.includes(label)) this.chosen = [label];
    group.focus({ preventScroll: true });
    const moving = this.chosen.filter((l) => !this.locked[l]);
    if (this.locked[label] || !moving.includes(label)) { if (!adds && this.locked[label]) say(`${label} ${this.t.locked_stays}`); this.show(); return; }
    event.preventDefault();
    this.svg.setPointerCapture(event.pointerId);
    const inverse = this.svg.getScreenCTM().inverse();
    this.drag = { id: event.pointerId, alone: adds ? null : label, inverse, moving, from: Object.fromEntries(moving.map((l) => [l, [...this.places[l]]])) };
    this.drag.start = this.point(event);
    this.show();
  }

  move(event) {
    if (!this.drag || event.pointerId !== this.drag.id) return;
    this.drag.at = this.point(event);
    this.frame ||= requestAnimationFrame(() => { this.frame = 0; this.follow(); });
  }

  follow() {
    if (!this.drag?.at) return;
    const [dx, dy] = this.within(this.drag.moving, this.drag.from, [this.drag.at[0] - this.drag.start[0], this.drag.at[1] - this.drag.start[1]]);
    for (const label of this.drag.moving) {
      const [x, y] = this.drag.from[label];
      this.places[label] = [tidy(x + dx), tidy(y + dy)];
    }
    this.show();
    this.bench.dispatchEvent(new CustomEvent("followed"));
  }

  // A way that leaves every button's middle on the panel: off it, it could neither be seen nor grasped again.
  within(labels, from, way) {
    const { panel } = this.model;
    return way.map((d, k) => {
      const most = k === 0 ? panel.width_mm : panel.height_mm;
      for (const label of labels) {
        const at = from[label][k];
        d = Math.min(Math.max(d, Math.min(0, -at)), Math.max(0, most - at));
      }
      return d;
    });
  }

  up(event) {
    if (!this.drag || event.pointerId !== this.drag.id) return;
    if (this.drag.at) { this.drag.at = this.point(event); this.follow(); }
    const { moving, from, at, alone } = this.drag;
    this.drag = null;
    // A click on one of several takes it alone.
    if (!at && alone) { this.chosen = [alone]; this.show(); }
    const moved = moving.filter((l) => this.places[l][0] !== from[l][0] || this.places[l][1] !== from[l][1]);
    this.tellCount(this.found);
    if (moved.length) this.put(Object.fromEntries(moved.map((l) => [l, this.places[l]])));
  }

  cancel() {
    if (!this.drag) return;
    Object.assign(this.places, this.drag.from);
    this.drag = null;
    this.show();
  }

  key(event) {
    const label = event.target.closest?.(".b")?.dataset.label;
    if (!label || event.ctrlKey || event.metaKey || event.altKey) return;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way) {
      event.preventDefault();
      if (this.locked[label]) { say(`${label} ${this.t.locked_stays}`); return; }
      const by = event.shiftKey ? 1 : 0.1;
      if (!this.chosen.includes(label)) this.chosen = [label];
      const moving = this.chosen.filter((l) => !this.locked[l]);
      const [dx, dy] = this.within(moving, this.places, way.map((d) => d * by));
      for (const one of moving) {
        const [x, y] = this.places[one];
        this.places[one] = [tidy(x + dx), tidy(y + dy)];
        this.waiting[one] = this.places[one];
      }
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.flush(), WAIT_MS);
      this.show();
    } else if (event.key === "l" || event.key === "L") {
      this.toggleLock();
    } else if (event.key === " " || event.key === "Enter") {
      event.preventDefault();
      if (event.shiftKey) this.chosen = this.chosen.includes(label) ? this.chosen.filter((l) => l !== label) : [...this.chosen, label];
      else this.chosen = [label];
      this.show();
    } else if (event.key === "Escape") {
      if (this.drag) this.cancel(); else { this.chosen = []; this.show(); }
    }
  }

  undoKey(event) {
    if (!(event.ctrlKey || event.metaKey) || event.target.matches("input, textarea")) return;
    const letter = event.key.toLowerCase();
    if (letter === "z") { event.preventDefault(); this.go(event.shiftKey ? 1 : -1); }
    if (letter === "y") { event.preventDefault(); this.go(1); }
  }

  // Telling the computer

  flush() {
    clearTimeout(this.timer);
    if (!this.pending) return this.sending;
    const places = this.waiting;
    this.waiting = {};
    return this.put(places);
  }

  put(places, locks = {}) { return this.ask({ places, locks }); }

  ask(what) {
    this.turn += 1;
    this.sending = this.sending.then(async () => {
      const body = JSON.stringify({ layout: this.model.layout, ...what });
      const told = await post(`${this.base}/step`, body, { "Content-Type": "application/json" });
      if (told) this.settle(told);
      else if (await this.fetch()) this.show();
    });
    return this.sending;
  }

  settle(told) {
    this.turn += 1;
    const going = { ...this.waiting };
    if (this.drag) for (const label of this.drag.moving) going[label] = this.places[label];
    this.take(told);
    Object.assign(this.places, going);
    this.show();
    this.tellCount(this.found);
  }

  async go(by) {
    await this.flush();
    await this.ask({ go: by });
  }

  async toggleLock() {
    if (!this.chosen.length) return;
    await this.flush();
    const to = !this.locked[this.chosen[0]];
    await this.put({}, Object.fromEntries(this.chosen.map((l) => [l, to])));
  }

  anchor() { return this.chosen.find((l) => this.locked[l]) ?? this.chosen[0]; }

  async align(axis) {
    if (this.chosen.length < 2) { say(this.t.align_need); return; }
    await this.flush();
    const to = this.places[this.anchor()][axis];
    this.shift((place) => { place[axis] = to; return place; });
  }

  async alignLine() {
    if (this.chosen.length < 3) { say(this.t.line_need); return; }
    await this.flush();
    const ordered = [...this.chosen].sort((a, b) => this.places[a][0] - this.places[b][0] || this.places[a][1] - this.places[b][1]);
    const [a, b] = [this.places[ordered[0]], this.places[ordered.at(-1)]];
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    const length = dx * dx + dy * dy || 1;
    this.shift(([x, y]) => {
      const along = ((x - a[0]) * dx + (y - a[1]) * dy) / length;
      return [tidy(a[0] + along * dx), tidy(a[1] + along * dy)];
    });
  }

  async mirror() {
    if (this.chosen.length !== 2) { say(this.t.mirror_need); return; }
    await this.flush();
    const [from, to] = this.chosen;
    if (this.locked[to]) { say(`${to} ${this.t.locked_stays}`); return; }
    const [x, y] = this.places[from];
    this.put({ [to]: [tidy(this.model.panel.width_mm - x), y] });
  }

  shift(how) {
    const places = {};
    for (const label of this.chosen) {
      if (this.locked[label]) continue;
      const place = how([...this.places[label]]);
      if (place[0] !== this.places[label][0] || place[1] !== this.places[label][1]) places[label] = place;
    }
    if (Object.keys(places).length) this.put(places);
  }

  async refit() {
    await this.flush();
    const told = await post(`${this.base}/refit`);
    if (told) { this.model.busy = true; this.show(); }
  }

  async keep() {
    await this.flush();
    if (await post(`${this.base}/keep`, new URLSearchParams({ revision: this.letter.value }))) say(this.t.kept);
  }

  // True size

  resize() {
    let perMm = null;
    try { perMm = JSON.parse(localStorage.getItem(SCREEN)); } catch { perMm = null; }
    if (this.sizeSelect.value === "true" && !perMm) { this.sizeSelect.value = "fit"; say(this.t.no_screen); this.calibrate(); return; }
    const whole = this.sizeSelect.value !== "true";
    this.svg.classList.toggle("true", !whole);
    this.svg.classList.toggle("large", this.sizeSelect.value === "large");
    // Zooming the page changes how many of its pixels go on a millimetre.
    const scale = whole ? 0 : (perMm.px_per_mm * perMm.ratio) / devicePixelRatio;
    const { panel } = this.model;
    this.svg.style.width = whole ? "" : `${(panel.width_mm + 2 * MARGIN_MM) * scale}px`;
    this.svg.style.height = whole ? "" : `${(panel.height_mm + 2 * MARGIN_MM) * scale}px`;
  }

  calibrate() {
    const { t } = this;
    let kept = null;
    try { kept = JSON.parse(localStorage.getItem(SCREEN)); } catch { kept = null; }
    const first = kept ? (kept.px_per_mm * kept.ratio * CARD_MM[0]) / devicePixelRatio : 324;
    const shape = el("div", { class: "card-shape", role: "img", "aria-label": t.card_shape });
    const range = el("input", { type: "range", min: "160", max: "1200", step: "0.5", id: "card-width" });
    range.value = String(first);
    const set = () => {
      shape.style.width = `${range.value}px`;
      shape.style.height = `${(range.value * CARD_MM[1]) / CARD_MM[0]}px`;
    };
    range.addEventListener("input", set);
    set();
    const dialog = el("dialog", { "aria-labelledby": "card-h" },
      el("h2", { id: "card-h" }, t.calibrate), el("p", {}, t.calibrate_text), el("label", {}, t.card_width, range), shape,
      el("div", { class: "line" },
        el("button", { type: "button", id: "card-done", onclick: () => {
          localStorage.setItem(SCREEN, JSON.stringify({ px_per_mm: Number(range.value) / CARD_MM[0], ratio: devicePixelRatio }));
          dialog.close();
          this.sizeSelect.value = "true";
          this.resize();
        } }, t.done),
        el("button", { type: "button", class: "second", onclick: () => dialog.close() }, t.cancel)));
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
  }

  // The other device

  async changed() {
    if (this.drag || this.pending || !this.marks) return;
    await this.sending;
    const was = this.model;
    if (!(await this.fetch()) || this.drag || this.pending) return;
    if (was.layout !== this.model.layout) return; // this part of the page is made anew
    if (JSON.stringify(was.pictures) !== JSON.stringify(this.model.pictures)) this.drawUnder();
    this.fillSelects();
    if (was.busy && !this.model.busy && this.model.message) say(this.model.message, true);
    this.show();
    this.tellCount(this.found);
  }
}

const tidy = (mm) => Math.round(mm * 100) / 100;

let table = null;

function begin() {
  const bench = document.getElementById("bench");
  if (!bench || bench.dataset.begun) return;
  bench.dataset.begun = "1";
  table = new Table(bench);
  table.start();
}

document.addEventListener("session-changed", () => table?.changed());
document.addEventListener("part-replaced", begin);
addEventListener("resize", () => { if (table?.marks) table.resize(); });
addEventListener("pagehide", () => { table?.flush(); });
begin();
