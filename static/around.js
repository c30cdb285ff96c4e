// The pages around the one at the loom: taps that are kept here are handed in first, and the way back.
import { Kept } from "./kept.js";

const piece = /^\/pieces\/\d+(?=\/)/.exec(location.pathname)?.[0];

const link = (address, words) => Object.assign(document.createElement("a"), { href: address, textContent: words });

const anew = () => location.replace(location.href.split("#")[0]);

// These could not be handed in, or another screen was first: what this page shows is from before them. Where the
// piece is woven by now there is no instruction to go back to; then they can be noted down.
const leadBack = (kept) => {
  const { length } = kept.taps;
  const isWoven = location.pathname.endsWith("/loom");
  const page = document.getElementById("main");
  const notice = page.cloneNode(false);
  notice.removeAttribute("id");
  const told = document.createElement("p");
  told.setAttribute("role", "alert");
  told.className = "said";
  told.textContent = `${length} ${length === 1 ? "tap" : "taps"} of this screen were not handed in yet. `
    + (isWoven ? "They no longer fit: the piece is woven." : "Go back to the instruction first: it hands them in. "
      + "What is on this page is from before them.");
  const back = link(`${piece}/loom`, "Back to the instruction");
  back.className = "go";
  back.hidden = isWoven;
  const words = isWoven ? "Keep them as a note" : "Show this page all the same";
  const stay = Object.assign(document.createElement("button"), { className: "go-quiet", textContent: words });
  stay.addEventListener("click", async () => {
    if (isWoven) {
      try {
        await kept.noteDown();
        kept.stand(kept.turn);
        anew();
      } catch {
        told.textContent = "No answer came; they are kept here. Try again when the computer answers.";
      }
      return;
    }
    notice.remove();
    page.hidden = false;
  });
  const ways = Object.assign(document.createElement("div"), { className: "choices" });
  ways.append(back, stay);
  notice.append(told, ways);
  page.before(notice);
  page.hidden = true;
};

const handInFirst = async () => {
  const kept = new Kept(piece);
  if (!kept.takeUp(false)) return;
  try {
    while (kept.taps.length || kept.takeUp(false)) {
      if ((await kept.handIn()).status !== 200) {
        leadBack(kept);
        return;
      }
    }
    anew();
  } catch {
    leadBack(kept);
  }
};

// From a page that is not the piece’s, the way back to the instruction that she came from.
const offerWayBack = () => {
  let loom = null;
  try {
    loom = sessionStorage.getItem("loom");
  } catch { /* no storage: then by the pieces */ }
  if (!loom) return;
  document.querySelector("nav[aria-label=Pages]")?.append(" ", link(loom, "Back to the instruction"));
  document.addEventListener("keydown", ({ key }) => key === "Escape" && location.assign(loom));
};

if (piece) handInFirst();
else if (["/help", "/preferences"].some((page) => location.pathname.startsWith(page))) offerWayBack();
