// The four corners over the still: dragged or moved by arrow keys, with a magnifying glass.
import { send, inOrder, draw, placeIn, notice, isTyping } from "./common.js";

const page = document.getElementById("corners");
const clip = page.dataset.clip;
const size = [Number(page.dataset.width), Number(page.dataset.height)];
const stage = document.getElementById("stage");
const still = document.getElementById("still");
const overlay = document.getElementById("overlay");
const lens = document.getElementById("lens");
const waiting = document.getElementById("wait");
let corners = null, view = null, held = -1, dirty = false, asking = false, wanted = false, kept = 0;
// What can be taken back: the corners as they stood, and how they came about (found, snapped, hand).
let stands = null, past = [], future = [];

const under = draw("path", { class: "outline under" }), outline = draw("path", { class: "outline" });
const net = draw("path", { class: "outline netline" }), middle = draw("path", { class: "outline netline" });
const handles = [0, 1, 2, 3].map((i) => {
  const g = draw("g", { class: "handle", tabindex: 0, role: "slider", "aria-valuenow": 0, "aria-valuemin": 0, "aria-valuemax": size[0] },
    draw("circle", { class: "grip" }), draw("circle", { class: "ring under" }), draw("circle", { class: "ring" }));
  g.dataset.corner = i;
  return g;
});

function show() { mark(); magnify(); }
// The lines and grips alone: what is under the magnifying glass stays as it is.
function mark() {
  if (!corners) { overlay.replaceChildren(); return; }
  const scale = size[0] / Math.max(overlay.clientWidth, 1);
  const line = (points, close) => "M" + points.map((p) => p.join(" ")).join("L") + (close ? "Z" : "");
  under.setAttribute("d", line(corners, true)); outline.setAttribute("d", line(corners, true));
  net.setAttribute("d", view ? line(view.net, true) : ""); middle.setAttribute("d", view ? line(view.centre_line) : "");
  handles.forEach((g, i) => {
    const [u, v] = corners[i];
    g.setAttribute("transform", `translate(${u} ${v})`);
    const radii = [22 * scale, 8 * scale, 8 * scale];
    [...g.children].forEach((circle, k) => circle.setAttribute("r", radii[k]));
    const name = view?.names?.[i] ?? g.getAttribute("aria-label") ?? `corner ${i + 1}`;
    g.setAttribute("aria-label", name);
    g.setAttribute("aria-valuenow", Math.round(u));
    g.setAttribute("aria-valuetext", `${u.toFixed(2)} across, ${v.toFixed(2)} down`);
  });
  if (!overlay.contains(outline)) overlay.replaceChildren(under, outline, net, middle, ...handles);
}

function magnify() {
  const at = held >= 0 ? held : handles.indexOf(document.activeElement);
  lens.hidden = at < 0 || !still.complete;
  if (lens.hidden || !corners) return;
  const [u, v] = corners[at];
  const context = lens.getContext("2d"), half = 20, pixels = lens.width;
  context.imageSmoothingEnabled = false;
  context.fillStyle = "#000";
  context.fillRect(0, 0, pixels, pixels);
  // Pixel centres are at integers: pixel u covers u - 0.5 to u + 0.5.
  const ratio = still.naturalWidth / size[0];
  context.drawImage(still, (u + 0.5 - half) * ratio, (v + 0.5 - half) * ratio, 2 * half * ratio, 2 * half * ratio, 0, 0, pixels, pixels);
  context.strokeStyle = "rgb(255 255 255 / .9)"; context.lineWidth = 1.5;
  context.beginPath();
  const c = pixels / 2, gap = 8;
  for (const [x, y] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { context.moveTo(c + x * gap, c + y * gap); context.lineTo(c + x * c, c + y * c); }
  context.stroke();
  lens.style.left = u > size[0] / 2 ? "8px" : "auto"; lens.style.right = u > size[0] / 2 ? "auto" : "8px";
  lens.style.top = "8px";
}

function tell(found) {
  view = found;
  for (const [id, words, level] of [["view-words", view.words, view.level], ["fit-words", view.fit, view.fit_level]]) {
    const box = document.getElementById(id);
    box.textContent = words; box.className = `verdict ${level}`;
  }
  document.getElementById("notes").replaceChildren(...view.notes.map((n) => { const li = document.createElement("li"); li.textContent = n; return li; }));
}
function say(sentence) {
  view = null;
  const box = document.getElementById("view-words");
  box.textContent = sentence; box.className = "verdict poor";
  document.getElementById("fit-words").textContent = "";
}

async function ask() {
  // One question at a time, then the newest: the words follow the hand without a queue.
  if (asking) { wanted = true; return; }
  asking = true;
  do {
    wanted = false;
    const asked = corners.flat().join(), before = kept;
    const answer = await send(`/clips/${clip}/try`, { corners });
    if (!wanted && corners.flat().join() !== asked) break;  // taken back or found anew meanwhile
    if (kept !== before) continue;  // let go of meanwhile: what is said of that looked more closely
    if (answer.view) tell(answer.view); else if (answer.sentence) say(answer.sentence);
    mark();
  } while (wanted);
  asking = false;
}
// What is kept, found and taken back goes one after the other: a quick Z takes back what was just moved.
function keep(snap = false) {
  dirty = false;
  const left = corners.map((c) => [...c]);
  inOrder(() => keepNow(left, snap));
}
async function keepNow(left, snap = false, back = false) {
  kept += 1;
  const answer = await send(`/clips/${clip}/corners`, { corners: left, snap });
  if (answer.view) { if (snap) corners = answer.view.corners; tell(answer.view); }
  else if (answer.sentence) say(answer.sentence);
  show();
  if (!answer.kept) return;
  settle(snap ? answer.view.corners : left, snap ? "snapped" : "hand", back);
  if (!back) notice(snap ? "The corners follow the white lines." : "Kept.", 3);
}
function settle(where, how, back = false) {
  if (stands && !back) { past.push(stands); future = []; }
  stands = { corners: where.map((c) => [...c]), how };
  buttons();
}
function buttons() {
  document.getElementById("undo").disabled = !past.length;
  document.getElementById("redo").disabled = !future.length;
}
function takeBack(again = false) {
  if (dirty) keep();
  inOrder(async () => {
    const [from, to] = again ? [future, past] : [past, future];
    if (!from.length || !stands) return;
    const wanted = from.pop();
    to.push(stands);
    corners = wanted.corners.map((c) => [...c]);
    if (wanted.how === "found") await find(() => send(`/clips/${clip}/again`, {}), "found", true);
    else await keepNow(corners, wanted.how === "snapped", true);
    buttons();
    notice(again ? "Made again." : "Taken back.", 2);
  });
}

let drawing = 0;
function soon() { if (!drawing) drawing = requestAnimationFrame(() => { drawing = 0; show(); }); }
function put(i, u, v) {
  corners[i] = [Math.max(-size[0] / 2, Math.min(1.5 * size[0], u)), Math.max(-size[1] / 2, Math.min(1.5 * size[1], v))];
  dirty = true; soon(); ask();
}

handles.forEach((g, i) => {
  let offset = [0, 0];
  g.addEventListener("pointerdown", (event) => {
    event.preventDefault(); g.focus(); g.setPointerCapture(event.pointerId); held = i; g.classList.add("held");
    const [x, y] = placeIn(overlay, event); offset = [corners[i][0] - x, corners[i][1] - y]; soon();
  });
  g.addEventListener("pointermove", (event) => {
    if (held !== i) return;
    const [x, y] = placeIn(overlay, event); put(i, x + offset[0], y + offset[1]);
  });
  for (const name of ["pointerup", "pointercancel"]) g.addEventListener(name, () => {
    if (held !== i) return;
    held = -1; g.classList.remove("held"); soon(); if (dirty) keep();
  });
  g.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.altKey ? 0.25 : event.shiftKey ? 10 : 1;
    put(i, corners[i][0] + way[0] * step, corners[i][1] + way[1] * step);
  });
  g.addEventListener("keyup", (event) => { if (event.key.startsWith("Arrow") && dirty) keep(); });
  g.addEventListener("focus", soon);
  g.addEventListener("blur", () => { soon(); if (dirty) keep(); });
});

const point = document.getElementById("point");
function pointing(on) { point.setAttribute("aria-pressed", String(on)); stage.style.cursor = on ? "crosshair" : ""; if (on) notice("Click on the table in play."); }
point.addEventListener("click", () => pointing(point.getAttribute("aria-pressed") !== "true"));
overlay.addEventListener("click", (event) => {
  if (point.getAttribute("aria-pressed") !== "true") return;
  pointing(false);
  const [u, v] = placeIn(overlay, event);
  inOrder(() => find(() => send(`/clips/${clip}/near`, { u, v }), "snapped"));
});
document.getElementById("snap").addEventListener("click", () => corners && keep(true));
document.getElementById("again").addEventListener("click", () => inOrder(() => find(() => send(`/clips/${clip}/again`, {}))));

document.getElementById("undo").addEventListener("click", () => takeBack());
document.getElementById("redo").addEventListener("click", () => takeBack(true));
document.addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  if (event.key.toLowerCase() === "z") takeBack();
  if (event.key.toLowerCase() === "y") takeBack(true);
});

async function find(question, how = "found", back = false) {
  waiting.hidden = false;
  const answer = await question();
  waiting.hidden = true;
  if (answer.view) { corners = answer.view.corners; tell(answer.view); settle(corners, answer.by_hand ? (answer.snapped ? "snapped" : "hand") : how, back); }
  else if (answer.corners) { corners = answer.corners; say(answer.sentence); settle(corners, "hand", back); }
  else {
    if (answer.sentence) say(answer.sentence);
    const [w, h] = size;
    corners ??= [[0.72 * w, 0.8 * h], [0.62 * w, 0.45 * h], [0.38 * w, 0.45 * h], [0.28 * w, 0.8 * h]];
  }
  show();
}
window.addEventListener("resize", soon);
still.addEventListener("load", soon);
function noStill() { page.classList.add("no-still"); }
still.addEventListener("error", noStill);
if (still.complete && !still.naturalWidth) noStill();  // it failed before this script was here
find(() => fetch(`/clips/${clip}/table.json`).then((a) => a.json()).catch(() => ({ sentence: "The program does not answer." })));
