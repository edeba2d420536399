// Bring a backup back.
import { sendBytes, notice } from "./common.js";
const file = document.getElementById("backup"), button = document.getElementById("restore");
const said = document.getElementById("said");
file.addEventListener("change", () => { button.disabled = !file.files.length; });
button.addEventListener("click", async () => {
  button.disabled = true;
  said.textContent = "Bringing the backup back …";
  try {
    const answer = await sendBytes("/keep/restore", file.files[0], "POST");
    said.textContent = answer.said ?? answer.sentence;
  } catch {
    said.textContent = "";
    notice("The program does not answer; nothing was changed.");
  }
  file.value = "";
});
