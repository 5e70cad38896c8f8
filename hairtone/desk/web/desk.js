// The desk's pages: forms that save as they are filled in, photos on their way, work on its way.
// What a person typed is never thrown away: a page is redrawn around it.

import pickerModule from "./picker.js";

const CODE = document.body.dataset.code;
const ROOT = `/desk/s/${encodeURIComponent(CODE)}`;
const ASK_MS = 2000; // between two questions whether the server is there
const WAIT_MS = 2500; // for its answer: together under the 5 s in which a lost server is said
const WORK_MS = 600; // between two looks at work that runs
const GONE = "The desk is not running any more. Start it again; what you typed here is kept.";
const NS = "http://www.w3.org/2000/svg";

let version = document.body.dataset.version;
let isThere = true;
let isLocked = false; // the server is there and does not know this page any more
const waiting = new Map(); // fields that could not be saved yet: element -> how to save it

// ---- talking to the server ----

async function send(address, body) {
  const answer = await fetch(address, {
    method: "POST",
    headers: { "Content-Type": "application/json", Accept: "application/json", "X-XSRFToken": mark() },
    body: JSON.stringify(body),
  });
  const told = await answer.json().catch(() => ({ lines: ["The answer could not be read."] }));
  if (told.version) version = told.version;
  return { status: answer.status, isDone: answer.ok, ...told };
}

function mark() { // the cookie is renewed when the server is started anew; the page's own copy is not
  const found = document.cookie.match(/(?:^|; )_xsrf=([^;]*)/);
  return found ? decodeURIComponent(found[1]) : document.body.dataset.xsrf;
}

function act(name, body) {
  return send(CODE ? `${ROOT}/do/${name}` : `/desk/do/${name}`, body);
}

function sayNear(element, lines, kind = "done") {
  const near = element.closest("form, p, .ask, section, div");
  const place = (near && near.querySelector(".say")) || document.querySelector("main .say");
  if (!place) return;
  place.className = `say ${kind}`;
  place.replaceChildren(...lines.map((line) => Object.assign(document.createElement("span"), { textContent: line })));
}

async function tried(element, promise) {
  try {
    const told = await promise;
    const kind = told.isDone ? ((told.warns || []).length ? "warn" : "done") : "wrong";
    sayNear(element, [...(told.lines || []), ...(told.warns || [])], kind);
    return told;
  } catch (error) {
    sayNear(element, [GONE], "wrong");
    void ask();
    return null;
  }
}

// ---- is the server there, and has something changed elsewhere ----

async function ask() {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), WAIT_MS);
  try {
    const answer = await fetch(`/desk/alive?code=${encodeURIComponent(CODE)}`, {
      signal: stop.signal, headers: { Accept: "application/json" }, cache: "no-store",
    });
    if (answer.status === 403) { lock(); return null; }
    const told = await answer.json();
    back();
    look(told);
    return told;
  } catch (error) {
    lost();
    return null;
  } finally {
    clearTimeout(timer);
  }
}

function banner(text, button) {
  const place = document.getElementById("link");
  place.hidden = !text;
  place.replaceChildren(text);
  if (button) place.append(" ", button);
}

function lost() {
  if (isThere) banner(GONE);
  isThere = false;
}

function lock() {
  isThere = false;
  isLocked = true;
  banner("The desk runs again, under a new address. Open the address it printed in another tab; then this page goes on. What you typed here is kept.");
}

function back() {
  if (isThere) return;
  isThere = true;
  isLocked = false;
  banner("The desk is there again.");
  setTimeout(() => banner(""), 2500);
  for (const [element, again] of [...waiting]) { waiting.delete(element); again(); }
  document.querySelectorAll(".say.wrong").forEach((say) => { if (say.textContent === GONE) say.replaceChildren(); });
  void follow();
}

function look(told) {
  if (!told.version || !version || told.version === version) return;
  version = told.version;
  if (told.version === "gone") {
    banner("This was removed in another window.");
  } else if (document.querySelector("[data-changed]") || document.activeElement?.matches("main input, main textarea, main select")) {
    const button = Object.assign(document.createElement("button"), { textContent: "Show it", className: "plain", type: "button" });
    button.addEventListener("click", () => { banner(""); redraw(); });
    banner("Something was changed in another window or program.", button);
  } else if (!document.getElementById("picker")) void redraw();
}

// ---- drawing the page anew around what was typed ----

function nameOf(field) {
  const shot = field.closest("[data-shot]")?.dataset.shot || "";
  return `${shot}|${field.id}|${field.name}|${field.type === "radio" ? field.value : ""}`;
}

async function redraw() {
  const answer = await fetch(location.href, { cache: "no-store" }).catch(() => null);
  if (!answer || !answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const typed = new Map();
  for (const field of document.querySelectorAll("main [data-changed]")) {
    typed.set(nameOf(field), field.type === "radio" || field.type === "checkbox" ? field.checked : field.value);
  }
  const open = new Set([...document.querySelectorAll("[data-shot] details[open]")].map((d) => d.closest("[data-shot]").dataset.shot));
  const coming = document.querySelector(".coming");
  const held = document.activeElement?.matches("input, select, textarea") ? nameOf(document.activeElement) : "";
  document.querySelector("main").replaceChildren(...fresh.querySelector("main").childNodes);
  for (const field of document.querySelectorAll("main input, main select, main textarea")) {
    const name = nameOf(field);
    if (name === held) field.focus({ preventScroll: true });
    if (!typed.has(name)) continue;
    if (typeof typed.get(name) === "boolean") field.checked = typed.get(name);
    else field.value = typed.get(name);
    field.dataset.changed = "1";
  }
  for (const shot of document.querySelectorAll("[data-shot]")) {
    if (open.has(shot.dataset.shot)) shot.querySelector("details")?.setAttribute("open", "");
  }
  const place = document.querySelector(".coming");
  if (coming && place) place.replaceWith(coming);
  version = fresh.body.dataset.version;
  wake();
}

// ---- forms ----

function gathered(form) {
  const body = {};
  for (const [name, value] of new FormData(form)) body[name] = value;
  for (const box of form.querySelectorAll("input[type=checkbox]")) body[box.name] = box.checked;
  if ("stage" in body) body.wash = body.stage === "n" ? body.count : body.stage;
  if (form.dataset.sure) body.sure = true;
  return body;
}

async function submit(form) {
  const button = form.querySelector("button:not([type=button])");
  if (button.disabled) return;
  button.disabled = true;
  sayNear(form, ["…"], "busy");
  const told = await tried(form, act(form.dataset.do, gathered(form)));
  button.disabled = false;
  if (!told) return;
  form.dataset.sure = told.sure ? "1" : "";
  if (!told.isDone) { focusOn(form, told.code); return; }
  if (told.goto) { location.assign(told.goto); return; }
  for (const field of form.querySelectorAll("[data-changed]")) delete field.dataset.changed;
  if (form.dataset.follow || told.job) void follow(true);
  if ("stays" in form.dataset) await redraw();
}

function focusOn(form, code) {
  const field = { "no-wash": "count", "code-taken": "code", "no-code": "code", "not-sure": "typed", "no-size": "width" }[code];
  if (field) form.querySelector(`[name=${field}]`)?.focus();
}

async function save(field) {
  const { field: name, subject, section, treatment, was } = field.dataset;
  if (field.value === was) return;
  const again = () => save(field);
  const told = await tried(field, act("field", { name, subject, section, treatment, was, now: field.value }));
  if (!told) { waiting.set(field, again); field.dataset.changed = "1"; return; }
  if (told.status === 409) { offer(field, told.now); return; }
  if (!told.isDone) return;
  field.dataset.was = field.value;
  delete field.dataset.changed;
  const due = document.getElementById("due");
  if (due && told.due) due.textContent = told.due.join(" ");
  if (told.safety) {
    document.getElementById("safety").replaceChildren(...told.safety.map((text) =>
      Object.assign(document.createElement("p"), { className: "warn", textContent: text })));
  }
}

function offer(field, now) { // it was changed elsewhere: the person chooses, nothing is overwritten
  const place = field.closest(".ask").querySelector(".say");
  const theirs = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: `Take “${now || "empty"}”` });
  const mine = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: `Keep “${field.value || "empty"}”` });
  theirs.addEventListener("click", () => { field.value = now; field.dataset.was = now; place.replaceChildren(); });
  mine.addEventListener("click", () => { field.dataset.was = now; void save(field); });
  place.append(" ", theirs, " ", mine);
}

async function consent(box) {
  const told = await tried(box, act("consent", { subject: box.dataset.subject, use: box.dataset.consent, on: box.checked }));
  if (!told || !told.isDone) { box.checked = !box.checked; return; }
  if ("reload" in box.dataset) await redraw();
}

function clock(button) {
  const field = document.getElementById(button.dataset.clock);
  const now = new Date(Date.now() - new Date().getTimezoneOffset() * 60000).toISOString();
  const [day, hour] = partsOf(field);
  if (day) [day.value, hour.value] = [now.slice(0, 10), now.slice(11, 16)];
  field.value = day ? now.slice(0, 16) : now.slice(11, 16);
  void save(field);
}

function partsOf(field) { // day and time of a moment have inputs of their own
  const around = field.closest(".input");
  return [around.querySelector("[data-day]"), around.querySelector("[data-hour]")];
}

function join(part) {
  const field = part.closest(".input").querySelector("[data-field]");
  const [day, hour] = partsOf(field);
  field.value = day.value && hour.value ? `${day.value}T${hour.value}` : day.value;
  if (day.value || !hour.value) void save(field);
}

async function take(button) {
  if (button.dataset.sure !== "1") {
    button.dataset.sure = "1";
    button.textContent = "Press again to remove the photo for good";
    return;
  }
  const told = await tried(button, act("take-out", { photo: button.dataset.take }));
  if (told && told.isDone) await redraw();
}

async function writeOut(button) {
  const told = await tried(button, act("write", { what: button.dataset.write, who: button.dataset.who }));
  if (told && told.isDone) void follow(true);
}

// ---- photos on their way ----

async function receive(files) {
  const list = document.querySelector(".coming");
  for (const file of files) {
    const line = document.createElement("li");
    const bar = Object.assign(document.createElement("progress"), { max: 1, value: 0 });
    bar.setAttribute("aria-label", `How much of ${file.name} has arrived`);
    const says = Object.assign(document.createElement("span"), { textContent: file.name });
    line.append(bar, " ", says);
    list.append(line);
    const told = await sendFile(file, bar);
    if (told.photo) line.remove();
    else {
      bar.remove();
      line.className = "wrong";
      says.textContent = `${file.name}: ${(told.lines || [GONE]).join(" ")}`;
    }
  }
  await redraw();
}

function sendFile(file, bar) {
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    request.open("POST", `${ROOT}/send?name=${encodeURIComponent(file.name)}`);
    request.setRequestHeader("X-XSRFToken", mark());
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (event) => { bar.value = event.loaded / Math.max(event.total, 1); });
    request.addEventListener("load", () => {
      try { done(JSON.parse(request.responseText)); } catch (error) { done({}); }
    });
    request.addEventListener("error", () => done({}));
    request.send(file);
  });
}

// ---- verdicts, and chart and hair drawn on a photo ----

const checks = new Map();

function check(photo) {
  if (!checks.has(photo) || checks.get(photo).version !== version) {
    const asked = fetch(`${ROOT}/check?photo=${encodeURIComponent(photo)}`, { headers: { Accept: "application/json" } })
      .then((answer) => answer.json()).catch(() => ({ lines: [GONE] }));
    checks.set(photo, { version, asked });
  }
  return checks.get(photo).asked;
}

async function judge(shot) {
  const told = await check(shot.dataset.shot);
  const place = shot.querySelector(".verdict");
  if (!told.verdict) { place.textContent = (told.lines || []).join(" "); return; }
  place.className = `verdict ${told.status}`;
  const word = Object.assign(document.createElement("b"), { textContent: `${{ measured: "●", flagged: "▲", refused: "✕" }[told.status]} ${told.verdict}` });
  const says = told.says.map((text) => Object.assign(document.createElement("span"), { textContent: text }));
  place.replaceChildren(word, ...says);
  const frame = shot.querySelector("[data-picture]");
  if (frame && told.size) overlay(frame, told);
}

function shape(parent, tag, attributes) {
  const made = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  parent.append(made);
  return made;
}

function outlines(svg, told, place) {
  const text = (points) => points.map((point) => point.join(",")).join(" ");
  if (told.corners.length) shape(svg, "polygon", { class: "chart", points: text(told.corners) });
  for (const outline of told.outlines) {
    if (outline.points.length && (!place || outline.place === place)) {
      shape(svg, "polygon", { class: outline.doubt ? "hair doubt" : "hair", points: text(outline.points) });
    }
  }
}

function overlay(frame, told) {
  frame.querySelector("svg")?.remove();
  const [width, height] = told.size;
  const svg = shape(frame, "svg", { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
  outlines(svg, told, 0);
}

async function crop(frame) { // the hair as large as a hand, its outline drawn, the rest cut away
  const photo = frame.dataset.crop;
  const place = Number(frame.dataset.place);
  const told = await check(photo);
  const own = (told.outlines || []).find((outline) => outline.place === place && outline.points.length) || (told.outlines || [])[0];
  if (!told.size) { frame.textContent = (told.says || told.lines || []).join(" "); return; }
  const [width, height] = told.size;
  let box = [0, 0, width, height];
  if (own && own.points.length) {
    const xs = own.points.map((p) => p[0]);
    const ys = own.points.map((p) => p[1]);
    const room = 0.06 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
    const [x0, y0] = [Math.max(0, Math.min(...xs) - room), Math.max(0, Math.min(...ys) - room)];
    box = [x0, y0, Math.min(width, Math.max(...xs) + room) - x0, Math.min(height, Math.max(...ys) + room) - y0];
  }
  frame.replaceChildren();
  const svg = shape(frame, "svg", { viewBox: box.join(" ") });
  shape(svg, "image", { x: 0, y: 0, width, height, href: `${ROOT}/picture?photo=${encodeURIComponent(photo)}&longest=1600`, preserveAspectRatio: "none" });
  outlines(svg, { corners: [], outlines: told.outlines }, place);
}

// ---- work on its way ----

let following = false;

async function follow(isNew = false) {
  if (following) return;
  following = true;
  let seen = isNew;
  try {
    for (;;) {
      const place = [...document.querySelectorAll("[data-job]")];
      if (!place.length) return;
      const code = place[0].dataset.job;
      const answer = await fetch(`/desk/alive?code=${encodeURIComponent(code)}`, { cache: "no-store" }).catch(() => null);
      if (!answer || !answer.ok) { lost(); return; }
      const { job } = await answer.json();
      if (!job) return;
      const isOpen = job.state === "waiting" || job.state === "running";
      seen = seen || isOpen;
      for (const line of place) {
        line.hidden = !isOpen || (line.dataset.task || "") !== (job.task === "page" ? "page" : "");
        line.querySelector("progress").value = job.total ? job.done / job.total : 0;
        line.querySelector("span").textContent = job.words;
      }
      if (!isOpen) { if (seen) await ended(job, place[0]); return; }
      await new Promise((go) => setTimeout(go, WORK_MS));
    }
  } finally {
    following = false;
  }
}

async function ended(job, place) {
  if (job.state === "failed") {
    const near = job.task === "page" ? document.querySelector(".hand .row") : place.parentElement;
    sayNear(near, job.lines, "wrong");
    return;
  }
  if (job.task === "page" && job.answer.files?.[0]?.endsWith(".zip")) {
    location.assign(`${ROOT}/written/${encodeURIComponent(job.answer.files[0])}`);
    sayNear(document.querySelector(".hand .row"), ["The archive is in your downloads."]);
    return;
  }
  await redraw();
  if (job.task === "page") sayNear(document.querySelector(".hand .row"), ["The page is ready below."]);
}

// ---- drawing where the hair lies ----

class Drawn { // what the picker reads and writes, here kept in the page and in the sheet
  constructor(facts) { this.facts = facts; this.ears = {}; }
  get(name) { return this.facts[name]; }
  set(name, value) { this.facts[name] = value; for (const ear of this.ears[`change:${name}`] || []) ear(); }
  on(name, ear) { (this.ears[name] ||= []).push(ear); }
  off(name, ear) { this.ears[name] = (this.ears[name] || []).filter((other) => other !== ear); }
  save_changes() { this.changed?.(); }
}

async function draw(place) {
  const { photo, lines, corners } = place.dataset;
  const told = await check(photo);
  const picture = await fetch(`${ROOT}/picture?photo=${encodeURIComponent(photo)}&longest=1600`).catch(() => null);
  if (!told.size || !picture || !picture.ok) {
    sayNear(place.parentElement, told.says || told.lines || [GONE], "wrong");
    return;
  }
  const start = JSON.parse(lines).length ? JSON.parse(lines) : [{ place: 1, points: [], width: null, mark: null }];
  const model = new Drawn({
    image: await picture.arrayBuffer(), name: photo, size: told.size, lines: start, outlines: [],
    corners: JSON.parse(corners), mode: "lines", current: 0,
  });
  let last = JSON.stringify([start, JSON.parse(corners)]);
  model.changed = async () => {
    const now = JSON.stringify([model.get("lines"), model.get("corners")]);
    if (now === last) return;
    last = now;
    await tried(place, act("line", { photo, lines: model.get("lines"), corners: model.get("corners") }));
    void grow(model, photo);
  };
  pickerModule.render({ model, el: place });
  void grow(model, photo);
}

async function grow(model, photo) {
  const made = [];
  for (const line of model.get("lines")) {
    if (line.points.length < 2) continue;
    const told = await act("outline", { photo, line }).catch(() => null);
    if (told && told.outline) made.push(told.outline);
  }
  model.set("outlines", made);
}

// ---- the page comes to life ----

function only(form) { // questions that this kind of study is asked
  const kind = form.querySelector("[name=kind]:checked")?.value;
  for (const part of form.querySelectorAll("[data-only]")) part.hidden = part.dataset.only !== kind;
  const age = form.querySelector("[name=age]:checked")?.value;
  for (const part of form.querySelectorAll("[data-if]")) part.hidden = !(age === "no" && kind === "person");
  const codes = JSON.parse(form.dataset.codes);
  const code = form.querySelector("[name=code]");
  if (!code.dataset.changed && codes[kind]) code.value = codes[kind];
}

function wake() {
  document.querySelectorAll("[data-shot]").forEach((shot) => void judge(shot));
  document.querySelectorAll("[data-crop]").forEach((frame) => void crop(frame));
  document.querySelectorAll("form[data-codes]").forEach(only);
  const picker = document.getElementById("picker");
  if (picker && !picker.childElementCount) void draw(picker);
  const now = document.querySelector("form[data-now]");
  void follow().then(() => { if (now && !following) { delete now.dataset.now; now.removeAttribute("data-now"); void submit(now); } });
}

document.addEventListener("submit", (event) => {
  if (!event.target.dataset.do) return;
  event.preventDefault();
  void submit(event.target);
});
document.addEventListener("input", (event) => {
  const field = event.target;
  if (!field.closest("main")) return;
  field.dataset.changed = "1";
  if (field.name === "count") {
    const stage = field.form.querySelector("[name=stage][value=n]");
    if (stage) { stage.checked = true; stage.dataset.changed = "1"; }
  }
});
document.addEventListener("change", (event) => {
  const field = event.target;
  if (field.dataset.field) void save(field);
  else if ("day" in field.dataset || "hour" in field.dataset) join(field);
  else if (field.dataset.consent) void consent(field);
  else if (field.type === "file") { void receive([...field.files]); field.value = ""; }
  if (field.closest("form[data-codes]")) only(field.closest("form[data-codes]"));
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.dataset.field && event.target.tagName === "INPUT") {
    event.preventDefault();
    void save(event.target);
  }
});
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.dataset.clock) clock(button);
  else if (button.dataset.take) void take(button);
  else if (button.dataset.write) void writeOut(button);
});
for (const kind of ["dragover", "drop"]) {
  document.addEventListener(kind, (event) => {
    const place = document.querySelector("[data-drop]");
    if (!place || !event.dataTransfer?.types.includes("Files")) return;
    event.preventDefault();
    place.classList.toggle("over", kind === "dragover");
    if (kind === "drop") void receive([...event.dataTransfer.files]);
  });
}
window.addEventListener("beforeunload", (event) => { if (waiting.size) event.preventDefault(); });
setInterval(() => void ask(), ASK_MS);
wake();
