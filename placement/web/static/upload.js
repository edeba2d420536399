// Films go to the program in slices, each at its place; a broken connection goes on where it was.
import { send, sendBytes, make, notice } from "./common.js";

const SLICE = 8 << 20;
const list = document.getElementById("uploads");
const drop = document.getElementById("drop");
const picker = document.getElementById("files");
let chain = Promise.resolve();

function sleep(ms) { return new Promise((done) => setTimeout(done, ms)); }

async function bring(file, line, bar, said) {
  const start = await send("/uploads/new", {
    name: file.name, size: file.size, mark: String(file.lastModified),
  });
  function refuse(sentence) { said.textContent = sentence ?? "It could not be brought in."; said.className = "warn"; bar.remove(); }
  if (!start.ok) { refuse(start.sentence); return; }
  let at = start.received;
  let troubles = 0;
  if (at) said.textContent = "going on where it stopped";
  while (true) {
    bar.value = at / file.size;
    let answer;
    try {
      answer = await sendBytes(`/uploads/${start.id}?from=${at}`, file.slice(at, at + SLICE));
    } catch {
      answer = { ok: false, status: 0 };
    }
    if (answer.clip) {
      bar.remove();
      said.replaceChildren(make("a", { href: `/clips/${answer.clip}`, class: "button primary" }, "See the table"), ` ${answer.words}`);
      return answer.clip;
    }
    if (answer.ok || answer.status === 409) { at = answer.received; troubles = 0; said.textContent = `${Math.round(100 * at / file.size)}%`; continue; }
    if (answer.status !== 0) { refuse(answer.sentence); return; }
    troubles += 1;
    if (troubles > 20) { said.textContent = "The program does not answer. Choose the file again later: it goes on where it stopped."; return; }
    said.textContent = "waiting for the program …";
    await sleep(Math.min(5000, 400 * troubles));
    const again = await send("/uploads/new", { name: file.name, size: file.size, mark: String(file.lastModified) });
    if (again.ok) at = again.received;
  }
}

function take(files) {
  const several = files.length > 1;
  for (const file of files) {
    const bar = make("progress", { max: 1, value: 0, "aria-label": file.name });
    const said = make("span", { class: "soft" }, "waiting");
    const line = make("li", {}, make("strong", {}, file.name), " ", bar, " ", said);
    list.append(line);
    chain = chain.then(() => bring(file, line, bar, said)).then((clip) => {
      if (clip && !several) location.assign(`/clips/${clip}`);
    });
  }
}

function chosen() { if (picker.files.length) take([...picker.files]); picker.value = ""; }
picker.addEventListener("change", chosen);
chosen();  // a quick hand may have chosen before this script was here
for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (e) => { e.preventDefault(); drop.classList.add("over"); });
for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
drop.addEventListener("drop", (event) => {
  event.preventDefault();
  if (event.dataTransfer.files.length) take([...event.dataTransfer.files]);
  else notice("Drop film files here.");
});
