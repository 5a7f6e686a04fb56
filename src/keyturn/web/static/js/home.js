// Home: the answer follows the page, and again whenever the build or the journal changes.
import { car, onLive } from "./core.js";
import { paint } from "./units.js";

const place = document.getElementById("answer");
let asked = 0;

async function fill() {
  const mine = ++asked;
  place.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(`/car/${car}/glance`, { credentials: "same-origin" });
    const text = await answer.text();
    if (mine !== asked || !answer.ok) return;      // a later answer is on its way
    place.innerHTML = text;
    paint(place);
  } catch {
    if (!place.querySelector(".said")) place.textContent = "No connection to the server.";
  } finally {
    if (mine === asked) place.setAttribute("aria-busy", "false");
  }
}

await fill();
let last = null;
onLive("build", (news) => {
  const shown = place.querySelector(".said")?.dataset.revision;
  if (news.revision !== shown) fill();
});
onLive("journal", (news) => {
  if (last !== null && last !== news.last) fill();
  last = news.last;
});
