// What every page uses: messages to the program, the notice at the foot, small conveniences.
const token = document.querySelector('meta[name="page-token"]')?.content ?? "";
let timer = 0;

export function notice(text, seconds = 6) {
  const box = document.getElementById("notice");
  box.textContent = text;
  clearTimeout(timer);
  if (seconds) timer = setTimeout(() => { box.textContent = ""; }, seconds * 1000);
}

/** Send a message; answers {ok, status, ...what the program said}. */
export async function send(path, message, method = "POST") {
  try {
    const answer = await fetch(path, {
      method, body: JSON.stringify(message),
      headers: { "X-Page-Token": token, "Content-Type": "application/json" },
    });
    const text = await answer.text();
    let said = {};
    try { said = JSON.parse(text); } catch { said = { sentence: text }; }
    if (!answer.ok && said.sentence) notice(said.sentence, 10);
    return { ok: answer.ok, status: answer.status, ...said };
  } catch {
    notice("The program does not answer; is its window still open? Nothing was changed.", 0);
    return { ok: false, status: 0 };
  }
}

/** Do things one after the other; a page that is left waits until all are done. */
let chain = Promise.resolve(), undone = 0;
export function inOrder(work) {
  undone += 1;
  chain = chain.then(work).catch((error) => { console.error(error); }).finally(() => { undone -= 1; });
  return chain;
}
document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[href]");
  if (!undone || !link || event.defaultPrevented || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  notice("Keeping your answers …", 0);
  inOrder(() => {}).then(() => { notice("", 0); location.assign(link.href); });
});
document.addEventListener("submit", (event) => {
  if (!undone || event.defaultPrevented) return;
  event.preventDefault();
  const form = event.target, by = event.submitter;
  inOrder(() => {}).then(() => form.requestSubmit(by));
});
window.addEventListener("beforeunload", (event) => { if (undone) event.preventDefault(); });

/** Send a piece of a file as it is. */
export async function sendBytes(path, bytes, method = "PUT") {
  const answer = await fetch(path, { method, body: bytes, headers: { "X-Page-Token": token } });
  const text = await answer.text();
  try { return { ok: answer.ok, status: answer.status, ...JSON.parse(text) }; }
  catch { return { ok: answer.ok, status: answer.status, sentence: text }; }
}

export const SVG = "http://www.w3.org/2000/svg";
export function draw(name, attributes = {}, ...inside) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...inside);
  return element;
}
export function make(name, attributes = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === false || value == null) continue;
    element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...inside);
  return element;
}
export function readData(id) { return JSON.parse(document.getElementById(id).textContent); }

/** Where a pointer is, in the coordinates of an SVG. */
export function placeIn(svg, event) {
  const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [p.x, p.y];
}
/** Whether a key press belongs to a field or a dialog and not to the page. */
export function isTyping(event) {
  return event.ctrlKey || event.metaKey || event.altKey
    || event.target.closest?.("textarea, select, dialog, input:not([type=radio]):not([type=checkbox])");
}

document.addEventListener("click", (event) => {
  if (event.target.closest("[data-print]")) window.print();
  if (event.target.closest("[data-back]")) history.back();  // the browser has kept what was typed
});
for (const button of document.querySelectorAll("[data-back]")) button.hidden = history.length < 2;
for (const input of document.querySelectorAll("input[type=file][data-into]")) {
  input.addEventListener("change", async () => {
    if (!input.files.length) return;
    if (input.files[0].size > 1 << 20) { notice("This file is too large for a class list."); return; }
    const bytes = await input.files[0].arrayBuffer();
    let text;  // a spreadsheet on Windows may write its own old code
    try { text = new TextDecoder("utf-8", { fatal: true }).decode(bytes); } catch { text = new TextDecoder("windows-1252").decode(bytes); }
    document.getElementById(input.dataset.into).value = text;
    input.value = "";
  });
}
