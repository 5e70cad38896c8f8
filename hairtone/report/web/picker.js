// Root-to-ends lines and chart corners on a photograph. All points are pixels of the upright
// original, centre of the top-left pixel = (0, 0); zoom and window size never enter them.

const NS = "http://www.w3.org/2000/svg";
const ROUND = 10; // points are kept to a tenth of a pixel
const HEARD = ["lines", "outlines", "corners", "mode", "current"];

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

function draw(parent, tag, attributes) {
  const element = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  parent.append(element);
  return element;
}

function copy(value) {
  return JSON.parse(JSON.stringify(value));
}

class Picker {
  constructor(model, el) {
    this.model = model;
    this.chosen = -1; // point that keys act on
    this.marking = false; // whether the next click says where new growth ends
    this.zoom = 1;
    this.drag = null;
    this.past = [];
    this.build(el);
    this.hear = () => { if (!this.drag) { this.load(); this.paint(); } };
    for (const name of HEARD) model.on(`change:${name}`, this.hear);
    model.on("change:image", () => this.show());
    this.load();
    this.show();
    this.watch = new ResizeObserver(() => this.fit());
    this.watch.observe(this.view);
  }

  close() {
    for (const name of HEARD) this.model.off(`change:${name}`, this.hear);
    this.watch.disconnect();
    if (this.url) URL.revokeObjectURL(this.url);
  }

  build(el) {
    const button = (text, name, act) => {
      const made = make("button", { type: "button", "data-act": name }, text);
      made.addEventListener("click", () => { act(); this.svg.focus({ preventScroll: true }); });
      return made;
    };
    this.hairs = make("span", { role: "group", "aria-label": "which hair" });
    this.bar = make("div", { class: "bar" },
      this.hairs,
      button("+ hair", "add", () => this.addHair()),
      make("span", { class: "gap" }),
      button("reverse", "reverse", () => this.reverse()),
      button("delete point", "delete", () => this.remove()),
      button("clear", "clear", () => this.clear()),
      button("undo", "undo", () => this.undo()),
      make("span", { class: "gap" }),
      (this.markKey = button("mark new growth", "mark", () => this.toggleMark())),
      (this.freeKey = button("free width", "free", () => this.freeWidth())),
      make("span", { class: "gap" }),
      button("−", "out", () => this.setZoom(this.zoom / 1.5)),
      button("whole photo", "whole", () => this.setZoom(1)),
      button("+", "in", () => this.setZoom(this.zoom * 1.5)),
      make("span", { class: "gap" }),
      (this.corner = button("chart corners", "corners", () => this.setMode("corners"))));
    this.svg = document.createElementNS(NS, "svg");
    this.svg.setAttribute("tabindex", "0");
    this.svg.setAttribute("role", "application");
    this.view = make("div", { class: "view" });
    this.view.append(this.svg);
    this.says = make("p", { class: "says", "aria-live": "polite" });
    const keys = make("p", { class: "keys" },
      "Click from roots to ends. Drag a point to move it. Keys: arrows move the chosen point by 1 pixel (with Shift by 10), " +
      "[ and ] choose a point, Delete removes it, R reverses, Z undoes, M marks new growth, + and − zoom. The outline grows by itself; " +
      "the square sets how wide it may be.");
    this.root = make("div", { class: "ht-pick" });
    this.root.append(this.bar, this.view, this.says, keys);
    el.append(this.root);
    this.svg.addEventListener("pointerdown", (e) => this.down(e));
    this.svg.addEventListener("pointermove", (e) => this.move(e));
    this.svg.addEventListener("pointerup", (e) => this.up(e));
    this.svg.addEventListener("pointercancel", (e) => this.up(e));
    this.svg.addEventListener("keydown", (e) => this.key(e));
    this.view.addEventListener("wheel", (e) => {
      if (!e.ctrlKey) return;
      e.preventDefault();
      this.setZoom(this.zoom * (e.deltaY < 0 ? 1.25 : 0.8), e);
    }, { passive: false });
  }

  load() {
    this.lines = copy(this.model.get("lines"));
    this.outlines = this.model.get("outlines") || [];
    this.corners = copy(this.model.get("corners"));
    this.mode = this.model.get("mode");
    this.current = Math.max(0, Math.min(this.model.get("current"), this.lines.length - 1));
  }

  get size() { return this.model.get("size"); }

  get points() {
    if (this.mode === "corners") return this.corners;
    return this.lines.length ? this.lines[this.current].points : [];
  }

  show() {
    if (this.url) URL.revokeObjectURL(this.url);
    const data = this.model.get("image");
    this.url = URL.createObjectURL(new Blob([data], { type: "image/jpeg" }));
    const [width, height] = this.size;
    this.svg.setAttribute("viewBox", `-0.5 -0.5 ${width} ${height}`);
    this.svg.replaceChildren();
    draw(this.svg, "image", { x: -0.5, y: -0.5, width, height, href: this.url, preserveAspectRatio: "none" });
    this.layer = draw(this.svg, "g", {});
    this.svg.setAttribute("aria-label", `Photograph ${this.model.get("name")}, ${width} by ${height} pixels`);
    this.fit();
  }

  fit() {
    const [width, height] = this.size;
    const room = this.view.clientWidth || 900;
    const whole = Math.min(room, (0.74 * window.innerHeight * width) / height);
    const shown = Math.max(120, whole * this.zoom);
    this.svg.setAttribute("width", shown);
    this.svg.setAttribute("height", (shown * height) / width);
    this.scale = width / shown; // original pixels for one screen pixel
    this.paint();
  }

  setZoom(zoom, event) {
    const before = this.scale;
    const box = this.view.getBoundingClientRect();
    const at = event ? [event.clientX - box.left, event.clientY - box.top] : [box.width / 2, box.height / 2];
    const point = [(this.view.scrollLeft + at[0]) * before, (this.view.scrollTop + at[1]) * before];
    this.zoom = Math.max(1, Math.min(24, zoom));
    this.fit();
    this.view.scrollLeft = point[0] / this.scale - at[0];
    this.view.scrollTop = point[1] / this.scale - at[1];
  }

  setMode(mode) {
    this.mode = this.mode === mode ? "lines" : mode;
    this.chosen = -1;
    this.marking = false;
    this.model.set("mode", this.mode);
    this.model.save_changes();
    this.paint();
  }

  at(event) {
    const matrix = this.svg.getScreenCTM().inverse();
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix);
    return this.inside([point.x, point.y]);
  }

  inside([x, y]) {
    const [width, height] = this.size;
    const hold = (value, top) => Math.round(Math.max(0, Math.min(top, value)) * ROUND) / ROUND;
    return [hold(x, width - 1), hold(y, height - 1)];
  }

  remember() {
    this.past.push(copy({ lines: this.lines, corners: this.corners, current: this.current }));
    if (this.past.length > 100) this.past.shift();
  }

  keep() {
    for (const line of this.lines) {
      if (line.mark) line.mark = line.points.length > 1 ? this.onLine(line.points, line.mark) : null;
    }
    this.model.set("lines", copy(this.lines));
    this.model.set("corners", copy(this.corners));
    this.model.set("current", this.current);
    this.model.save_changes();
    this.paint();
  }

  down(event) {
    if (event.button !== 0) return;
    event.preventDefault();
    this.svg.focus({ preventScroll: true });
    this.svg.setPointerCapture(event.pointerId);
    const role = event.target.dataset || {};
    this.remember();
    if (role.grip !== undefined) {
      this.drag = { kind: "grip" };
      return;
    }
    if (role.mark !== undefined || this.marking) {
      this.drag = { kind: "mark" };
      this.lines[this.current].mark = this.onLine(this.points, this.at(event));
      this.marking = false;
      this.paint();
      return;
    }
    if (role.point !== undefined) {
      this.chosen = Number(role.point);
      const here = this.at(event);
      const held = this.points[this.chosen];
      this.drag = { kind: "point", offset: [held[0] - here[0], held[1] - here[1]] };
      this.paint();
      return;
    }
    if (this.mode === "corners" && this.corners.length >= 4) {
      this.past.pop();
      this.tell("The chart has four corners; drag one to move it.");
      return;
    }
    if (this.mode !== "corners" && !this.lines.length) this.lines.push({ place: 1, points: [], width: null, mark: null });
    this.points.push(this.at(event));
    this.chosen = this.points.length - 1;
    this.drag = { kind: "point", offset: [0, 0] };
    this.paint();
  }

  move(event) {
    if (!this.drag) return;
    const here = this.at(event);
    if (this.drag.kind === "grip") {
      const [middle, normal] = this.middle(this.points);
      const reach = Math.abs((here[0] - middle[0]) * normal[0] + (here[1] - middle[1]) * normal[1]);
      this.lines[this.current].width = Math.max(2, Math.round(2 * reach * ROUND) / ROUND);
    } else if (this.drag.kind === "mark") {
      this.lines[this.current].mark = this.onLine(this.points, here);
    } else {
      const [dx, dy] = this.drag.offset;
      this.points[this.chosen] = this.inside([here[0] + dx, here[1] + dy]);
    }
    this.paint();
  }

  up() {
    if (!this.drag) return;
    this.drag = null;
    this.keep();
  }

  key(event) {
    const step = event.shiftKey ? 10 : 1;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    const acts = {
      Delete: () => this.remove(), Backspace: () => this.remove(),
      r: () => this.reverse(), z: () => this.undo(), m: () => this.toggleMark(),
      "+": () => this.setZoom(this.zoom * 1.5), "=": () => this.setZoom(this.zoom * 1.5),
      "-": () => this.setZoom(this.zoom / 1.5),
      "]": () => this.choose(1), "[": () => this.choose(-1),
      Escape: () => { this.chosen = -1; this.marking = false; this.paint(); },
    };
    if (moves[event.key]) this.nudge(moves[event.key]);
    else if (acts[event.key.length === 1 ? event.key.toLowerCase() : event.key]) {
      acts[event.key.length === 1 ? event.key.toLowerCase() : event.key]();
    } else return;
    event.preventDefault();
    event.stopPropagation(); // the notebook has keys of its own
  }

  nudge([dx, dy]) {
    const point = this.points[this.chosen];
    if (!point) { this.tell("Choose a point first: click it, or press ]."); return; }
    this.remember();
    this.points[this.chosen] = this.inside([point[0] + dx, point[1] + dy]);
    this.keep();
  }

  choose(step) {
    const count = this.points.length;
    if (!count) return;
    this.chosen = this.chosen < 0 ? (step > 0 ? 0 : count - 1) : (this.chosen + step + count) % count;
    this.paint();
  }

  remove() {
    if (this.chosen < 0 || !this.points.length) { this.tell("Choose a point first: click it, or press ]."); return; }
    this.remember();
    this.points.splice(this.chosen, 1);
    this.chosen = Math.min(this.chosen, this.points.length - 1);
    this.keep();
  }

  reverse() {
    if (this.mode === "corners" || this.points.length < 2) return;
    this.remember();
    this.points.reverse();
    this.chosen = -1;
    this.keep();
  }

  clear() {
    if (!this.points.length) return;
    this.remember();
    this.points.splice(0);
    if (this.mode !== "corners") Object.assign(this.lines[this.current], { width: null, mark: null });
    this.chosen = -1;
    this.keep();
  }

  undo() {
    const before = this.past.pop();
    if (!before) return;
    Object.assign(this, before);
    this.chosen = -1;
    this.keep();
  }

  toggleMark() {
    const line = this.lines[this.current];
    if (this.mode === "corners" || !line || line.points.length < 2) {
      this.tell("Draw the line from roots to ends first.");
      return;
    }
    if (line.mark) {
      this.remember();
      line.mark = null;
      this.keep();
      return;
    }
    this.marking = !this.marking;
    this.paint();
  }

  freeWidth() {
    const line = this.lines[this.current];
    if (!line || !line.width) { this.tell("The width is free already: the outline ends where the hair does."); return; }
    this.remember();
    line.width = null;
    this.keep();
  }

  onLine(points, at) { // the place on the line nearest to a point
    let best = points[0];
    let least = Infinity;
    for (let i = 1; i < points.length; i += 1) {
      const [a, b] = [points[i - 1], points[i]];
      const step = [b[0] - a[0], b[1] - a[1]];
      const square = step[0] ** 2 + step[1] ** 2 || 1;
      const share = Math.max(0, Math.min(1, ((at[0] - a[0]) * step[0] + (at[1] - a[1]) * step[1]) / square));
      const foot = [a[0] + share * step[0], a[1] + share * step[1]];
      const away = Math.hypot(foot[0] - at[0], foot[1] - at[1]);
      if (away < least) [least, best] = [away, foot];
    }
    return best.map((value) => Math.round(value * ROUND) / ROUND);
  }

  outlineOf(line) { // none while Python has not yet grown the one of this very line
    const found = this.outlines.find((outline) => outline.place === line.place);
    const ground = JSON.stringify([line.points, line.width ?? null, line.mark ?? null]);
    return found && JSON.stringify(found.of) === ground ? found : null;
  }

  addHair() {
    this.remember();
    const places = this.lines.map((line) => line.place);
    this.lines.push({ place: Math.max(0, ...places) + 1, points: [], width: null, mark: null });
    this.current = this.lines.length - 1;
    this.chosen = -1;
    this.mode = "lines";
    this.model.set("mode", "lines");
    this.keep();
  }

  middle(points) { // middle of the line by length, and the normal there
    const steps = points.slice(1).map((p, i) => Math.hypot(p[0] - points[i][0], p[1] - points[i][1]));
    let left = steps.reduce((a, b) => a + b, 0) / 2;
    let at = 0;
    while (at < steps.length - 1 && left > steps[at]) left -= steps[at++];
    const [a, b] = [points[at], points[at + 1]];
    const length = steps[at] || 1;
    const unit = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    return [[a[0] + unit[0] * left, a[1] + unit[1] * left], [-unit[1], unit[0]]];
  }

  tell(text) { this.says.textContent = text; }

  paint() {
    if (!this.layer || !this.scale) return;
    this.layer.replaceChildren();
    this.hairs.replaceChildren(...this.lines.map((line, index) => {
      const chosen = this.mode !== "corners" && index === this.current;
      const made = make("button", { type: "button", "data-hair": line.place, "aria-pressed": chosen }, `hair ${line.place}`);
      made.addEventListener("click", () => {
        this.mode = "lines"; this.current = index; this.chosen = -1;
        this.model.set("mode", "lines"); this.model.set("current", index); this.model.save_changes();
        this.paint();
      });
      return made;
    }));
    this.corner.setAttribute("aria-pressed", this.mode === "corners");
    const line = this.lines[this.current];
    this.markKey.setAttribute("aria-pressed", this.marking);
    this.markKey.textContent = line && line.mark ? "remove mark" : "mark new growth";
    this.freeKey.hidden = !(line && line.width);
    this.lines.forEach((line, index) => this.paintLine(line, this.mode !== "corners" && index === this.current));
    this.paintCorners();
    this.tell(this.summary());
  }

  paintLine(line, isCurrent) {
    const s = this.scale;
    const group = draw(this.layer, "g", { class: isCurrent ? "" : "other" });
    const path = line.points.map((p) => p.join(",")).join(" ");
    if (line.points.length > 1) {
      const outline = this.outlineOf(line);
      if (outline && outline.points.length) this.paintOutline(group, outline);
      else if (line.width) draw(group, "polyline", { class: "strip", points: path, "stroke-width": line.width });
      draw(group, "polyline", { class: "under", points: path, "stroke-width": 5 * s });
      draw(group, "polyline", { class: "over", points: path, "stroke-width": 2 * s });
    }
    if (line.points.length) this.label(group, line.points[0], isCurrent ? `roots ${line.place}` : `${line.place}`);
    if (isCurrent && line.points.length > 1) {
      this.label(group, line.points[line.points.length - 1], "ends");
      this.paintGrip(group, line);
    }
    if (isCurrent) line.points.forEach((p, i) => this.dot(group, p, i, i === 0));
    if (line.mark && line.points.length > 1) this.paintMark(group, line, isCurrent);
  }

  paintOutline(group, outline) {
    const points = outline.points.map((p) => p.join(",")).join(" ");
    draw(group, "polygon", { class: "edge-under", points, "stroke-width": 3.5 * this.scale });
    draw(group, "polygon", {
      class: outline.doubt ? "edge doubt" : "edge", points, "stroke-width": 1.5 * this.scale,
      "stroke-dasharray": outline.doubt ? `${6 * this.scale} ${4 * this.scale}` : "none",
    });
  }

  paintMark(group, line, isCurrent) { // a bar across the line
    const s = this.scale;
    const at = line.mark;
    const [a, b] = this.pieceAt(line.points, at);
    const length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
    const normal = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
    const ends = { x1: at[0] - 18 * s * normal[0], y1: at[1] - 18 * s * normal[1], x2: at[0] + 18 * s * normal[0], y2: at[1] + 18 * s * normal[1] };
    draw(group, "line", { class: "mark-under", ...ends, "stroke-width": 7 * s });
    draw(group, "line", { class: "mark", ...ends, "stroke-width": 4 * s, "data-mark": "1" });
    if (isCurrent) this.label(group, at, "new growth ends");
  }

  pieceAt(points, at) {
    let best = 1;
    let least = Infinity;
    for (let i = 1; i < points.length; i += 1) {
      const foot = this.onLine([points[i - 1], points[i]], at);
      const away = Math.hypot(foot[0] - at[0], foot[1] - at[1]);
      if (away < least) [least, best] = [away, i];
    }
    return [points[best - 1], points[best]];
  }

  paintGrip(group, line) {
    const s = this.scale;
    const [middle, normal] = this.middle(line.points);
    const reach = line.width ? line.width / 2 : 26 * s;
    const [x, y] = [middle[0] + normal[0] * reach, middle[1] + normal[1] * reach];
    draw(group, "rect", { class: "grip", x: x - 6 * s, y: y - 6 * s, width: 12 * s, height: 12 * s, "stroke-width": 2 * s, "data-grip": "1" });
  }

  paintCorners() {
    if (!this.corners.length) return;
    const s = this.scale;
    const isCurrent = this.mode === "corners";
    const group = draw(this.layer, "g", { class: isCurrent ? "" : "other" });
    const ring = [...this.corners, ...(this.corners.length === 4 ? [this.corners[0]] : [])];
    const path = ring.map((p) => p.join(",")).join(" ");
    draw(group, "polyline", { class: "under", points: path, "stroke-width": 5 * s });
    draw(group, "polyline", { class: "over", points: path, "stroke-width": 2 * s });
    this.corners.forEach((p, i) => {
      if (isCurrent) this.dot(group, p, i, i === 0);
      this.label(group, p, `${i + 1}`);
    });
  }

  dot(group, point, index, isFirst) {
    const s = this.scale;
    const names = ["dot", isFirst ? "first" : "", index === this.chosen ? "chosen" : ""];
    draw(group, "circle", { class: names.join(" ").trim(), cx: point[0], cy: point[1], r: 7 * s, "stroke-width": 2.5 * s, "data-point": index });
  }

  label(group, point, words) {
    const s = this.scale;
    const text = draw(group, "text", { transform: `translate(${point[0] + 11 * s} ${point[1] - 9 * s}) scale(${s})` });
    text.textContent = words;
  }

  summary() {
    if (this.mode === "corners") {
      const count = this.corners.length;
      if (count < 4) return `Chart corner ${count + 1} of 4: clockwise, beginning beside the first (dark brown) patch.`;
      return "The four corners of the chart are set.";
    }
    const line = this.lines[this.current];
    if (!line || !line.points.length) return "Click where the hair begins, at the roots.";
    const point = this.chosen >= 0 && line.points[this.chosen] ? `, chosen at ${line.points[this.chosen].join(", ")}` : "";
    if (this.marking) return "Click on the line where the new growth ends.";
    const width = line.width ? `, outline at most ${line.width} pixels wide` : "";
    const outline = line.points.length > 1 ? this.outlineOf(line) : null;
    const said = outline ? ` ${outline.says}` : "";
    return `Hair ${line.place}: ${line.points.length} points${width}${point}.${said}`;
  }
}

export default {
  render({ model, el }) {
    const picker = new Picker(model, el);
    return () => picker.close();
  },
};
