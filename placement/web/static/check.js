// Checking the serves: step, look, say yes or what it was. The machine's answer is kept.
import { send, inOrder, draw, make, notice, readData, isTyping } from "./common.js";
import { Spots } from "./spots.js";
import { Stepper, frameAt } from "./stepper.js";

const $ = (id) => document.getElementById(id);
const WORDS = { good: "good", let: "let", net: "in the net", missed: "missed the table", "own-twice": "own half twice", unclear: "unclear" };
const KEYS = { g: "good", l: "let", n: "net", m: "missed", t: "own-twice", u: "unclear" };
let data = readData("data");
let order = "doubt", ids = [], current = null, frame = 0, way = 1;
const hasFilm = data.times.length > 0;
const at = `/films/${data.film}`;

// --- the picture
const svg = $("picture"), frameImage = $("frame"), cropImage = $("crop"), marks = $("marks");
const region = data.region ?? [0, 0, data.size[0], data.size[1]];
svg.setAttribute("viewBox", `${region[0]} ${region[1]} ${region[2] - region[0]} ${region[3] - region[1]}`);
for (const [key, value] of Object.entries({ x: region[0], y: region[1], width: region[2] - region[0], height: region[3] - region[1] })) frameImage.setAttribute(key, value);
function tellMissing(text) { $("no-film").textContent = text; $("no-film").hidden = !text; }
if (!hasFilm) tellMissing(data.missing || "The film of this drill is not at hand.");
if (!hasFilm && !data.crops.length && !data.region) {
  // Nothing to be seen: the drawing takes the room, with the keys that still do something.
  document.querySelector(".check").classList.add("no-picture");
  $("table-side").append(make("p", { class: "soft" }, $("no-film").textContent), $("keys"));
}

const stepper = new Stepper(
  (n) => `${at}/frames/${n}.jpg?v=${data.version}`,
  (n, url) => { frameImage.setAttribute("href", url); frameImage.removeAttribute("visibility"); frameImage.dataset.n = n; frame = n; tellMissing(""); showMoment(); },
  () => tellMissing("This picture could not be read; the one before is shown."),
);
function showMoment() { $("moment").textContent = hasFilm ? `picture ${frame + 1} of ${data.times.length}, ${clock(data.times[frame])}` : ""; drawMarks(); }
function clock(t) { const m = Math.floor(t / 60), s = (t - 60 * m).toFixed(2).padStart(5, "0"); return `${m}:${s}`; }
function likely() {
  const s = current, near = [];
  const next = neighbour(1), before = neighbour(-1);
  if (hasFilm) {
    const here = stepper.wanted, last = data.times.length - 1;
    // Whoever steps back goes on stepping back: the film is read in that direction first.
    if (way < 0) for (let k = 1; k <= 12; k++) near.push(here - k);
    near.push(here + 1, here - 1, here + 2);
    if (next) near.push(startFrame(next));
    for (const t of moments(s)) near.push(frameAt(data.times, t));
    near.push(here + 3, here - 2, here + 4, here + 5, here - 3, here + 6, here + 7, here + 8);
    if (next) { const n = startFrame(next); near.push(n + 1, n + 2); }
    if (before) near.push(startFrame(before));
    return [...new Set(near)].filter((n) => n >= 0 && n <= last);
  }
  return [];
}
function startFrame(serve) { return frameAt(data.times, keyMoment(serve)); }
function keyMoment(serve) { const land = landingBounce(serve); return land ? land.t : serve.t + 0.1; }
function landingBounce(serve) {
  const seen = serve.bounces.filter((b) => b.t !== null);
  return seen.find((b) => b.key === "landing") ?? seen.find((b) => b.place[1] < 0) ?? seen[0] ?? null;
}
function moments(serve) { return (serve?.bounces ?? []).map((b) => b.t).filter((t) => t !== null).sort((a, b) => a - b); }
function goFrame(n) {
  if (!hasFilm) return;
  way = stepper.wanted - n > 0 && stepper.wanted - n <= 3 ? -1 : 1;
  n = Math.max(0, Math.min(data.times.length - 1, n));
  stepper.go(n, likely);
}
function nowTime() { return hasFilm ? data.times[Math.max(stepper.wanted, 0)] : (current ? keyMoment(current) : 0); }
function goBounce(step) {
  const all = moments(current), now = nowTime();
  const next = step > 0 ? all.find((t) => t > now + 0.012) : all.findLast((t) => t < now - 0.012);
  if (next === undefined) { notice(step > 0 ? "That was the last bounce of this serve." : "That was the first bounce of this serve.", 2); return; }
  showCrop(next);
  goFrame(frameAt(data.times, next));
}
function showCrop(moment) {
  // The measuring kept small pictures around each bounce: they are here before the film is read.
  let best = null;
  for (const c of data.crops) if (!best || Math.abs(c.t - moment) < Math.abs(best.t - moment)) best = c;
  if (!best || Math.abs(best.t - moment) > 0.06) { cropImage.removeAttribute("href"); return; }
  const [x, y, width, height] = best.box;
  for (const [key, value] of Object.entries({ x, y, width, height, href: `${at}/crops/${best.k}.jpg?v=${data.version}` })) cropImage.setAttribute(key, value);
  const n = hasFilm ? frameAt(data.times, moment) : -1;
  if (!stepper.kept.has(n)) frameImage.setAttribute("visibility", "hidden");
  if (!hasFilm) svg.setAttribute("viewBox", `${x - width} ${y - height} ${3 * width} ${3 * height}`);
}
function drawMarks() {
  const s = current, parts = [];
  if (s) {
    if (s.path.length > 1) {
      const d = "M" + s.path.map((p) => `${p[0]} ${p[1]}`).join("L");
      parts.push(draw("path", { class: "path-line under", d }), draw("path", { class: "path-line", d }));
      const now = nowTime();
      if (now >= s.path[0][2] - 0.02 && now <= s.path.at(-1)[2] + 0.02) {
        const near = s.path.reduce((a, b) => (Math.abs(b[2] - now) < Math.abs(a[2] - now) ? b : a));
        parts.push(draw("circle", { class: "now-dot", cx: near[0], cy: near[1], r: (region[2] - region[0]) / 60 }));
      }
    }
    for (const b of s.bounces) {
      if (b.ring.length) {
        const d = "M" + b.ring.map((p) => p.join(" ")).join("L") + "Z", now = b.t !== null && Math.abs(b.t - nowTime()) < 0.02;
        parts.push(draw("path", { class: "spot-ring under", d }), draw("path", { class: `spot-ring${now ? " now" : ""}`, d }));
      }
    }
  }
  marks.replaceChildren(...parts);
}

// --- the list
function sort() {
  const rows = [...data.serves];
  if (order === "doubt") rows.sort((a, b) => (b.look - a.look) || (b.look ? b.doubt - a.doubt : a.t - b.t));
  ids = rows.map((s) => s.id);
}
function find(id) { return data.serves.find((s) => s.id === id); }
function neighbour(step) { const i = ids.indexOf(current?.id); return i < 0 ? null : find(ids[i + step]) ?? null; }
const buttons = new Map();
function fillList() {
  buttons.clear();
  $("serves").replaceChildren(...ids.map((id) => {
    const button = make("button", { type: "button" });
    button.addEventListener("click", () => select(id));
    buttons.set(id, button); label(find(id));
    return make("li", {}, button);
  }));
  counts();
}
function label(s) {
  const button = buttons.get(s.id);
  if (!button) return;
  const mark = s.removed ? "✕" : s.look ? "▲" : s.checked || s.corrected.length ? "✓" : "";
  const words = s.removed ? "no serve" : s.look ? "to check" : mark ? "checked" : "";
  button.replaceChildren(make("span", { class: "no" }, String(s.number)), make("span", { class: "text" }, `${s.code || ""} ${WORDS[s.outcome] ?? s.outcome}`.trim()),
    make("span", { class: `mark${s.look ? " look" : ""}`, "aria-hidden": "true" }, mark), make("span", { class: "visually-hidden" }, words));
  button.classList.toggle("gone", s.removed);
  if (s.id === current?.id) button.setAttribute("aria-current", "true"); else button.removeAttribute("aria-current");
}
function counts() {
  const left = data.serves.filter((s) => s.look).length, all = data.serves.filter((s) => !s.removed).length;
  $("left-to-do").textContent = left ? `${left} of ${all} to check` : all ? `All ${all} are checked or sure` : "No serves yet";
  $("onward").hidden = left > 0 || !all;
}

// --- one serve
function select(id) {
  const before = current;
  current = find(id) ?? null;
  if (before && before !== current) label(find(before.id) ?? before);
  if (!current) { showServe(); return; }
  label(current);
  buttons.get(current.id)?.scrollIntoView({ block: "nearest" });
  history.replaceState(null, "", `${at}/check?serve=${current.id}`);
  const moment = keyMoment(current);
  showCrop(moment);
  if (hasFilm) goFrame(frameAt(data.times, moment));
  showServe();
}
function answerWords(s) { return [WORDS[s.outcome] ?? s.outcome, s.depth, s.side].filter(Boolean).join(", "); }
function showServe() {
  const s = current;
  for (const id of ["accept", "move", "remove"]) $(id).disabled = !s;
  for (const button of document.querySelectorAll("[data-outcome], [data-depth]")) button.disabled = !s;
  if (!s) { $("serve-name").textContent = data.serves.length ? "Choose a serve" : "No serves were found"; spots.show(null); return; }
  $("serve-name").textContent = `Serve ${s.number}${s.code ? `, ${s.code}` : ""}`;
  $("serve-facts").textContent = `${s.clock} · ${answerWords(s)}${s.called ? ` · called ${s.called}` : ""}${s.pace ? ` · ${s.pace.toFixed(1)}\u00a0m/s` : ""}`;
  $("why").replaceChildren(...(s.look ? s.why : []).map((w) => make("li", {}, w)));
  const changed = s.corrected.filter((f) => f !== "added").length;
  $("machine").textContent = s.removed ? "You said: no serve." : s.by_hand ? "Added by hand." : changed ? `The machine said: ${answerWords(s.machine)}.` : s.checked ? "You said: right." : "";
  $("accept").lastChild.textContent = " Right as it is";
  $("remove").lastChild.textContent = s.removed ? " It is a serve" : " No serve";
  for (const button of document.querySelectorAll("[data-outcome]")) button.setAttribute("aria-pressed", String(button.dataset.outcome === s.outcome));
  $("depths").hidden = s.outcome !== "good" && s.outcome !== "let";
  for (const button of document.querySelectorAll("[data-depth]")) button.setAttribute("aria-pressed", String(button.dataset.depth === s.depth));
  spots.show(s); drawMarks();
}

// --- the drawing of the table
const spots = new Spots($("drawing"), $("spots"), (bounce) => {
  if (bounce.t !== null) { showCrop(bounce.t); goFrame(frameAt(data.times, bounce.t)); }
  notice(`${capital(bounce.name)}: drag it, or use the arrow keys (1 cm, with Shift 5). Enter keeps it, V: next bounce.`, 8);
}, (bounce, place) => change(current, { bounce: bounce.key, place, checked: true }, `${capital(bounce.name)}: moved.`));
function capital(text) { return text.charAt(0).toUpperCase() + text.slice(1); }

// --- answers: one after the other, each naming the state that was seen
function who() { return $("who").value.trim() || "teacher"; }
function change(serve, changes, said) {
  return inOrder(async () => {
    const seen = find(serve.id)?.rev ?? serve.rev;
    const answer = await send(`${at}/serves/${serve.id}`, { changes, seen, who: who() });
    if (answer.serve) replace(answer.serve);
    if (answer.ok && said) notice(said, 2);
    else if (!answer.ok && !answer.serve) await reload();
  });
}
function replace(serve) {
  const i = data.serves.findIndex((s) => s.id === serve.id);
  if (i < 0) return;
  data.serves[i] = serve;
  label(serve); counts();
  if (current?.id === serve.id) { current = serve; showServe(); label(serve); }
}
async function reload(fresh = null) {
  fresh ??= await fetch(`${at}/serves.json`).then((a) => (a.ok ? a.json() : null)).catch(() => null);
  if (!fresh) return;
  const id = current?.id;
  data = fresh; sort(); fillList();
  current = find(id) ?? null;
  showServe(); if (current) label(current);
}
function step(by) {
  const next = current ? neighbour(by) : find(ids[0]);
  if (next) select(next.id); else notice(by > 0 ? "That was the last one." : "That is the first one.", 2);
}
function accept() {
  if (!current) return;
  const serve = current, next = neighbour(1);
  serve.look = false; serve.checked = true; label(serve); counts();
  change(serve, { checked: true });
  if (next) select(next.id); else { showServe(); notice("That was the last one.", 3); }
}
function outcome(word) {
  if (!current) return;
  const serve = current;
  serve.outcome = word; serve.look = false; label(serve); showServe();
  change(serve, { outcome: word, checked: true });
}
function depth(word) {
  if (!current || $("depths").hidden) return;
  const serve = current;
  serve.depth = word; serve.look = false; label(serve); showServe();
  change(serve, { depth: word, checked: true });
}
function remove() { if (current) change(current, { removed: !current.removed, checked: true }); }
function add() {
  inOrder(async () => {
    const near = data.serves.reduce((a, b) => (!a || Math.abs(b.t - nowTime()) < Math.abs(a.t - nowTime()) ? b : a), null);
    const answer = await send(`${at}/serves`, { t: nowTime(), who: who(), end: near?.end, turn: near?.turn });
    if (!answer.ok) return;
    data = answer.data; sort(); fillList(); select(answer.id);
    notice("A serve is added here. Say what became of it, and move its landing.", 5);
  });
}
function back(path) {
  inOrder(async () => {
    const answer = await send(`${at}/${path}`, { who: who() });
    if (answer.ok) { await reload(answer.data); notice(path === "undo" ? "Taken back." : "Made again.", 2); }
  });
}

for (const button of document.querySelectorAll("[data-outcome]")) {
  const key = Object.keys(KEYS).find((k) => KEYS[k] === button.dataset.outcome);
  button.replaceChildren(make("kbd", {}, key.toUpperCase()), ` ${WORDS[button.dataset.outcome]}`);
  button.addEventListener("click", () => outcome(button.dataset.outcome));
}
const depths = [...document.querySelectorAll("[data-depth]")];
for (const button of depths) button.addEventListener("click", () => depth(button.dataset.depth));
function move(by) { spots.choose(by, nowTime()); }
for (const [id, act] of Object.entries({ accept, move: () => move(1), remove, add, undo: () => back("undo"), redo: () => back("redo"),
  "frame-back": () => goFrame(stepper.wanted - 1), "frame-on": () => goFrame(stepper.wanted + 1), "bounce-back": () => goBounce(-1), "bounce-on": () => goBounce(1) })) $(id).addEventListener("click", act);
// After a click the keys go on: Enter means "right" again, not the button that was clicked last.
document.querySelector(".check").addEventListener("click", (event) => {
  if (event.detail && event.target.closest("button") && event.target.closest("button").id !== "move") $("serve-name").focus({ preventScroll: true });
});
for (const radio of document.querySelectorAll("[name=order]")) radio.addEventListener("change", () => { order = radio.value; sort(); fillList(); if (current) label(current); });
try { $("who").value ||= localStorage.getItem("initials") ?? ""; } catch { /* storage may be off */ }
$("who").addEventListener("change", () => { try { localStorage.setItem("initials", $("who").value.trim()); } catch { /* as above */ } });

document.addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (key === "Enter") {
    if (event.target.closest("a, button, summary, input")) return;
    event.preventDefault(); accept(); return;
  }
  if ((key === "ArrowLeft" || key === "ArrowRight") && event.target.type === "radio") return;
  const acts = { j: () => step(1), k: () => step(-1), ArrowRight: () => goFrame(stepper.wanted + 1), ArrowLeft: () => goFrame(stepper.wanted - 1),
    b: () => goBounce(event.shiftKey ? -1 : 1), v: () => move(event.shiftKey ? -1 : 1), x: remove, a: add, z: () => back("undo"), y: () => back("redo") };
  depths.forEach((button, k) => { acts[String(k + 1)] = () => depth(button.dataset.depth); });
  if (KEYS[key]) acts[key] = () => outcome(KEYS[key]);
  if (!acts[key]) return;
  event.preventDefault(); acts[key]();
});

// Somebody may have changed something in another window meanwhile.
document.addEventListener("visibilitychange", () => { if (!document.hidden && !spots.moving) { inOrder(() => reload()); } });

sort(); fillList();
const asked = Number(new URLSearchParams(location.search).get("serve"));
if (ids.length) select(find(asked) ? asked : ids[0]); else { showServe(); goFrame(0); }  // to step to where one is added
