// Who served and what was called: bands over the film with the serves as marks; borders are dragged
// or moved by keys, and one key gives a serve to a student or to a called zone.
import { send, inOrder, draw, make, notice, readData, placeIn, isTyping } from "./common.js";

const $ = (id) => document.getElementById(id);
let data = readData("data");
const choices = readData("choices");
const line = $("line"), HEIGHT = 112;
let now = 0, held = null, waiting = 0, round = 0, calling = false;
const added = [];  // students named on this screen, who serve nothing yet
const KEYS = "1234567890qwertuiopasdfghl".split("");
// What a key calls. The digits lie as on a number pad, which is the table as the server sees it.
const NOTHING = { depth: "", side: "", landing: "" };
const CALLS = new Map();
choices.depth.toReversed().forEach((depth, row) => choices.side.forEach((side, column) => CALLS.set(String(7 - 3 * row + column), { ...NOTHING, depth, side })));
for (const [key, depth] of [["l", "long"], ["h", "half-long"], ["s", "short"]]) CALLS.set(key, { ...NOTHING, depth });
CALLS.set("0", NOTHING);
for (const [key, stroke] of [["f", "forehand"], ["b", "backhand"]]) CALLS.set(key, { stroke });
function callWords(call) { return call === NOTHING ? "nothing called" : call.stroke ?? [call.depth, call.side].filter(Boolean).join(" "); }
function students() { return [...new Set([...data.students, ...added])]; }

function width() { return Math.max(line.clientWidth, 300); }
function x(t) { return 14 + (width() - 28) * t / data.duration; }
function owner(serve) { return serve.turn; }
function runs() {
  // Neighbouring serves of one turn; a border lies between two runs.
  const found = [];
  data.serves.forEach((s, i) => {
    const last = found.at(-1);
    if (last && last.turn === owner(s)) last.to = i; else found.push({ turn: owner(s), from: i, to: i });
  });
  return found;
}
function between(i) { return (data.serves[i - 1].t + data.serves[i].t) / 2; }

function show() {
  const parts = [], list = runs();
  line.setAttribute("viewBox", `0 0 ${width()} ${HEIGHT}`);
  list.forEach((run, k) => {
    const left = k ? x(between(run.from)) : x(Math.max(0, data.serves[run.from].t - 3));
    const right = k + 1 < list.length ? x(between(run.to + 1)) : x(Math.min(data.duration, data.serves[run.to].t + 4));
    if (run.turn >= 0) {
      const turn = data.turns[run.turn];
      parts.push(draw("rect", { class: `band${k % 2 ? " odd" : ""}`, x: left, y: 24, width: Math.max(1, right - left), height: 56 }));
      if (right - left > 22) parts.push(draw("text", { x: (left + right) / 2, y: 16, "text-anchor": "middle" }, right - left > 70 ? [turn.student, turn.depth, turn.side, turn.landing].filter(Boolean).join(" ") : turn.student));
    }
  });
  const step = [5, 10, 15, 30, 60, 120, 300, 600].find((s) => x(s) - x(0) > 60) ?? 1200;
  for (let t = 0; t <= data.duration; t += step) parts.push(draw("text", { class: "soft-text", x: x(t), y: 104, "text-anchor": "middle" }, `${Math.floor(t / 60)}:${String(t % 60).padStart(2, "0")}`));
  data.serves.forEach((s, i) => {
    const mark = draw("circle", { class: `mark${s.outcome === "good" ? " good" : ""}${s.turn < 0 ? " nobody" : ""}${i === now ? " now" : ""}`, cx: x(s.t), cy: 52, r: i === now ? 7 : 5.5 });
    mark.append(draw("title", {}, `Serve ${s.number} at ${s.clock}, ${s.outcome}${s.turn < 0 ? ", nobody's" : `, ${data.turns[s.turn].student}`}`));
    mark.addEventListener("click", () => { now = i; show(); peek(); });
    parts.push(mark);
  });
  list.slice(1).forEach((run, k) => {
    const g = draw("g", { class: "border", tabindex: 0, role: "slider", "aria-label": `Border before serve ${data.serves[run.from].number}`, "aria-valuemin": 1, "aria-valuemax": data.serves.length, "aria-valuenow": run.from, "aria-valuetext": `${names(list[k].turn)} until serve ${data.serves[run.from - 1].number}, then ${names(run.turn)}`, transform: `translate(${x(between(run.from))} 0)` },
      draw("rect", { x: -9, y: 20, width: 18, height: 68 }), draw("path", { d: "M0 20V88" }), draw("circle", { cx: 0, cy: 88, r: 5 }));
    g.dataset.border = k + 1;
    parts.push(g);
  });
  const focus = document.activeElement?.dataset?.border;
  line.replaceChildren(...parts);
  if (focus) line.querySelector(`[data-border="${focus}"]`)?.focus();
}
function names(turn) { return turn < 0 ? "nobody" : data.turns[turn].student; }

function moveBorder(k, to) {
  // Serves between the old and the new place go to the turn on the other side.
  const list = runs(), left = list[k - 1], right = list[k];
  if (!left || !right) return false;
  to = Math.max(left.from + 1, Math.min(right.to, to));
  if (to === right.from) return false;
  for (let i = left.from; i <= right.to; i += 1) data.serves[i].turn = i < to ? left.turn : right.turn;
  show();
  return true;
}
function nearestGap(px) {
  let best = 1;
  for (let i = 1; i < data.serves.length; i += 1) if (Math.abs(x(between(i)) - px) < Math.abs(x(between(best)) - px)) best = i;
  return best;
}
line.addEventListener("pointerdown", (event) => {
  const g = event.target.closest(".border");
  if (!g) return;
  event.preventDefault(); g.focus(); line.setPointerCapture(event.pointerId); held = { k: Number(g.dataset.border), moved: false };
});
line.addEventListener("pointermove", (event) => { if (held && moveBorder(held.k, nearestGap(placeIn(line, event)[0]))) held.moved = true; });
for (const name of ["pointerup", "pointercancel"]) line.addEventListener(name, () => { if (held?.moved) keep(); held = null; });
line.addEventListener("keydown", (event) => {
  const g = event.target.closest(".border");
  if (!g || !["ArrowLeft", "ArrowRight"].includes(event.key)) return;
  event.preventDefault(); event.stopPropagation();
  const k = Number(g.dataset.border), from = runs()[k].from;
  if (moveBorder(k, from + (event.key === "ArrowRight" ? 1 : -1))) keep();
});

function table() {
  const found = new Map();
  for (const s of data.serves) found.set(s.turn, (found.get(s.turn) ?? 0) + 1);
  $("turn-table").tBodies[0].replaceChildren(...data.turns.map((turn, i) => {
    const row = make("tr", { class: data.serves[now]?.turn === i ? "now" : null });
    const field = (name, extra = {}) => {
      const input = make("input", { class: name, "aria-label": `${extra.label} of turn ${i + 1}`, value: name === "tags" ? turn.tags.join(" ") : turn[name] ?? "", ...(extra.number ? { type: "number", min: 1, max: 1000 } : {}) });
      input.addEventListener("change", () => { turn[name] = extra.number ? (input.value ? Number(input.value) : null) : name === "tags" ? input.value.split(/[\s#]+/).filter(Boolean) : input.value.trim(); keep(); });
      return input;
    };
    const choose = (name, words) => {
      const select = make("select", { "aria-label": `${name} of turn ${i + 1}` }, make("option", { value: "" }, "–"), ...words.map((w) => make("option", { value: w, selected: turn[name] === w }, w)));
      select.addEventListener("change", () => { turn[name] = select.value; keep(); });
      return select;
    };
    const n = found.get(i) ?? 0, off = turn.listed != null && turn.listed !== n;
    row.append(make("th", { scope: "row" }, field("student", { label: "Student" })), make("td", { class: "n" }, field("listed", { number: true, label: "Serves listed" })), make("td", { class: off ? "n off" : "n" }, off ? `${n} ▲` : String(n)),
      make("td", {}, choose("depth", choices.depth)), make("td", {}, choose("side", choices.side)), make("td", {}, choose("landing", choices.landing)), make("td", {}, choose("stroke", choices.stroke)), make("td", {}, field("tags", { label: "Kind of serve" })));
    return row;
  }));
  $("nobody").hidden = data.turns.length > 0; $("turn-table").hidden = !data.turns.length;
  $("trouble").replaceChildren(...data.trouble.map((t) => make("li", {}, t)));
  keyRow("student-keys", students().slice(0, KEYS.length).map((code, i) => [KEYS[i], code, () => give(code)]));
  $("student-side").hidden = calling; $("call-side").hidden = !calling;
  const settled = data.turns.length > 0 && data.serves.every((s) => s.turn >= 0) && !data.trouble.length;
  $("onward").classList.toggle("primary", settled); $("use").classList.toggle("primary", !settled);
}
function keyRow(id, keys) {
  $(id).replaceChildren(...keys.map(([key, words, act]) => {
    const button = make("button", { type: "button" }, make("kbd", {}, key.toUpperCase()), ` ${words}`);
    button.addEventListener("click", act);
    return button;
  }));
}
function peek() {
  const s = data.serves[now], image = $("peek");
  $("peek-name").textContent = s ? `Serve ${s.number}, ${s.clock}` : "";
  image.hidden = !(s && data.has_film);
  if (s && data.has_film) { image.alt = `The table at the start of serve ${s.number}`; image.src = `/films/${data.film}/at.jpg?serve=${s.id}`; }
}

function plan() {
  return { seen: data.mark, turns: data.turns, of: Object.fromEntries(data.serves.map((s) => [s.id, s.turn])) };
}
function keep(more = {}) {
  const message = { ...plan(), ...more }, mine = round;
  waiting += 1;
  inOrder(async () => {
    waiting -= 1;
    if (mine !== round) return;  // it was built on a change that was refused
    message.seen = data.mark;
    const answer = await send(`/films/${data.film}/turns`, message);
    if (!answer.ok) round += 1;
    // Keys pressed meanwhile are on the screen and under way: only the mark is new.
    if (answer.ok && waiting) data.mark = answer.data.mark; else take(answer);
  });
}
function take(answer) {
  if (answer.data) { data = answer.data; if ($("list") !== document.activeElement) $("list").value = data.text; }
  else if (!answer.ok) { inOrder(refresh); return; }
  now = Math.min(now, Math.max(0, data.serves.length - 1));
  show(); table();
}
async function refresh() {
  // What was refused is shown again as it is in the records.
  const page = await fetch(location.pathname).then((a) => a.text()).catch(() => "");
  const found = new DOMParser().parseFromString(page, "text/html").getElementById("data");
  if (found) { data = JSON.parse(found.textContent); show(); table(); }
}
function forward() { if (now < data.serves.length - 1) now += 1; show(); table(); peek(); }
function alike(a, b) { return ["student", "depth", "side", "landing", "stroke"].every((k) => (a[k] || "") === (b[k] || "")) && a.tags.join() === b.tags.join(); }
function call(said) {
  const s = data.serves[now];
  if (!s) return;
  if (s.turn < 0) { notice("Say first who served this one.", 4); return; }
  const old = data.turns[s.turn], wanted = { ...old, ...said, listed: null };
  if (!alike(old, wanted)) {
    // The turn beside it, if it is the same; else a new one. A listed serve goes along.
    const beside = [now - 1, now + 1].map((i) => data.serves[i]?.turn ?? -1).find((t) => t >= 0 && alike(data.turns[t], wanted));
    const first = data.serves.findIndex((o) => o.turn === s.turn);
    let to = beside ?? (first === now ? s.turn : s.turn + 1);
    if (beside === undefined) {
      data.turns.splice(to, 0, wanted);
      for (const other of data.serves) if (other.turn >= to) other.turn += 1;
    }
    if (old.listed != null) { data.turns[to].listed = (data.turns[to].listed ?? 0) + 1; old.listed = old.listed > 1 ? old.listed - 1 : null; }
    s.turn = to;
    dropEmpty();
    forward(); keep();
  } else forward();
}
function dropEmpty() {
  const used = new Set(data.serves.map((o) => o.turn)), kept = data.turns.map((_, i) => used.has(i) || data.turns[i].listed != null);
  const renumber = kept.map((ok, i) => (ok ? kept.slice(0, i).filter(Boolean).length : -1));
  data.turns = data.turns.filter((_, i) => kept[i]);
  for (const other of data.serves) if (other.turn >= 0) other.turn = renumber[other.turn];
}
function give(code) {
  const s = data.serves[now];
  if (!s) return;
  // The turn before, if it is theirs; else their nearest; else a new one that begins here.
  let best = -1;
  data.serves.forEach((other, i) => {
    if (other.turn >= 0 && data.turns[other.turn].student === code && (best < 0 || Math.abs(i - now) < Math.abs(best - now))) best = i;
  });
  const beside = best >= 0 && Math.abs(best - now) <= 1 ? data.serves[best].turn : -1;
  if (beside >= 0) s.turn = beside;
  else {
    const before = data.serves.slice(0, now).findLast((o) => o.turn >= 0);
    const place = before ? before.turn + 1 : 0;
    data.turns.splice(place, 0, { student: code, listed: null, depth: "", side: "", landing: "", stroke: "", tags: [] });
    for (const other of data.serves) if (other.turn >= place) other.turn += 1;
    s.turn = place;
  }
  dropEmpty();
  forward(); keep({ new_students: [code] });
}
function turnTo(on) {
  calling = on;
  document.querySelector(`[name=keys][value=${on ? "called" : "who"}]`).checked = true;
  table();
}

$("use").addEventListener("click", () => {
  const text = $("list").value;
  inOrder(async () => { const answer = await send(`/films/${data.film}/turns`, { seen: data.mark, text }); if (answer.data) { round += 1; $("list").value = answer.data.text; take(answer); if (answer.ok) notice("The turns are laid over the serves.", 3); } });
});
$("propose").addEventListener("click", async () => {
  const answer = await fetch(`/films/${data.film}/turns/proposed.json`).then((a) => a.json()).catch(() => null);
  if (!answer?.counts?.length) { notice("No turns can be told from the pauses."); return; }
  $("list").value = answer.counts.map((n, i) => `${students()[i] ?? `S${i + 1}`} ${n}`).join("\n");
  $("list").focus();
  notice("Put the right codes and called zones in, then use the list.", 6);
});
for (const radio of document.querySelectorAll("[name=keys]")) radio.addEventListener("change", () => turnTo(radio.value === "called"));
keyRow("call-keys", [...CALLS].map(([key, said]) => [key, callWords(said), () => call(said)]));
$("another").addEventListener("submit", (event) => {
  event.preventDefault();
  const code = $("code").value.trim();
  if (!code) return;
  added.push(code); $("code").value = ""; $("peek-name").focus(); table();
  notice(`${code} has a key now.`, 3);
});
function back(path) { inOrder(async () => { const answer = await send(`/films/${data.film}/turns/${path}`, {}); if (answer.ok) { round += 1; take(answer); } }); }
$("undo").addEventListener("click", () => back("undo"));
$("redo").addEventListener("click", () => back("redo"));
document.addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  const key = event.key.toLowerCase(), student = KEYS.indexOf(key), names = students();
  const move = { j: 1, arrowright: 1, k: -1, arrowleft: -1 }[key];
  if (key.startsWith("arrow") && event.target.type === "radio") return;
  if (move) { event.preventDefault(); now = Math.max(0, Math.min(data.serves.length - 1, now + move)); show(); table(); peek(); }
  else if (key === "z") back("undo");
  else if (key === "y") back("redo");
  else if (key === "c") turnTo(!calling);
  else if (calling) { if (CALLS.has(key)) { event.preventDefault(); call(CALLS.get(key)); } }
  else if (student >= 0 && names[student]) { event.preventDefault(); give(names[student]); }
});
window.addEventListener("resize", show);
// After a click the keys go on at once.
for (const id of ["student-side", "call-side"]) $(id).addEventListener("click", (event) => { if (event.detail && event.target.closest("button[type=button]")) $("peek-name").focus({ preventScroll: true }); });
turnTo(false); show(); peek();
