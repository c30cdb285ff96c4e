// How far it is, asked for every second; when it has ended, or its turn is nearer,
// the page is loaded anew and leads on.
const EVERY_MS = 1000;
const place = document.getElementById("working");
const lines = document.getElementById("lines");
const share = document.getElementById("share");
const enough = document.getElementById("enough");

const show = (far) => {
  const now = [...lines.children];
  far.lines.forEach((words, at) => {
    const line = now[at] ?? lines.appendChild(document.createElement("p"));
    if (line.textContent !== words) line.textContent = words;
  });
  now.slice(far.lines.length).forEach((line) => line.remove());
  if (share && far.share === null) share.removeAttribute("value");
  else if (share) share.value = far.share;
  // whoever is just about to press it shall not lose it
  if (far.best || !enough.contains(document.activeElement)) enough.hidden = !far.best;
};

const look = async () => {
  try {
    const answer = await fetch(place.dataset.far);
    if (!answer.ok) throw new Error(answer.status);
    const far = await answer.json();
    if (far.state !== place.dataset.state || far.first.join(" ") !== place.dataset.first) {
      location.replace(location.href);
      return;
    }
    show(far);
  } catch {
    // the server may be starting anew; it goes on then
  }
  setTimeout(look, EVERY_MS);
};

setTimeout(look, EVERY_MS);
