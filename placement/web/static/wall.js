// One scene at a time for the projector.
import { isTyping } from "./common.js";
const scenes = [...document.querySelectorAll(".scene")];
const which = document.getElementById("which"), hide = document.getElementById("hide");
let at = 0;
function show(step) {
  at = (at + step + scenes.length) % scenes.length;
  scenes.forEach((scene, i) => { scene.hidden = i !== at; });
  which.textContent = `${at + 1} of ${scenes.length}`;
}
function quiet() {
  const on = document.body.classList.toggle("quiet");
  hide.setAttribute("aria-pressed", String(on));
}
const full = document.getElementById("full");
function fill() {
  if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen?.().catch(() => {});
}
document.addEventListener("fullscreenchange", () => full.setAttribute("aria-pressed", String(Boolean(document.fullscreenElement))));
full.addEventListener("click", fill);
document.getElementById("before").addEventListener("click", () => show(-1));
document.getElementById("next").addEventListener("click", () => show(1));
hide.addEventListener("click", quiet);
document.addEventListener("keydown", (event) => {
  if (isTyping(event)) return;
  if (event.key === "ArrowRight") { event.preventDefault(); show(1); }
  if (event.key === "ArrowLeft") { event.preventDefault(); show(-1); }
  if (event.key.toLowerCase() === "h") quiet();
  if (event.key.toLowerCase() === "f") fill();
});
