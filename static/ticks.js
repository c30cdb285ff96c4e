// The list of things to do on a walk, ticked without asking the server. Which of them can be done out of
// their turn the server has written on the list.
const numberOf = (form) => JSON.parse(form.elements.detail.value).card;

// What a tap on this form says besides its kind.
export const detailOf = (form) => (form.elements.detail ? { card: numberOf(form) } : {});

// The walk on the page: its first card, and for a thing those that must be done before it. Null: no list.
export const walkOf = (main) => {
  const list = main.querySelector(".ticklist");
  if (!list) return null;
  const needs = (list.dataset.needs ?? "").split(" ").filter(Boolean).map((one) => {
    const [number, before] = one.split(":");
    return [Number(number), before.split(",").map(Number)];
  });
  return { first: Number(list.dataset.first), needs: new Map(needs) };
};

// The first thing that is not done, and those done beyond it, once a thing is ticked or is not any more. Null
// where only the server can say whether the loom allows it.
export const afterTick = ({ first, needs }, card, ahead, number) => {
  const done = new Set(ahead);
  for (let n = first; n < card; n += 1) done.add(n);
  if (!done.delete(number)) done.add(number);
  for (const one of done) if (needs.get(one)?.some((before) => !done.has(before))) return null;
  let open = first;
  while (done.delete(open)) open += 1;
  return { card: open, ahead: done };
};

// Show on the list what is done.
export const markDone = (main, card, ahead) => {
  let open = 0;
  for (const thing of main.querySelectorAll(".thing")) {
    const number = numberOf(thing.querySelector("form"));
    const isDone = number < card || ahead.has(number);
    thing.classList.toggle("thing-done", isDone);
    thing.classList.toggle("thing-next", number === card);
    thing.querySelector("button").setAttribute("aria-pressed", isDone);
    open += !isDone;
  }
  const button = main.querySelector("button[data-more]");
  if (button) button.textContent = open > 1 ? button.dataset.more : button.dataset.last;
};

// Where she is in the list: how far down, and at which thing; to be gone back to when it is shown anew.
export const spotInList = (main) => {
  const list = main.querySelector(".ticklist");
  const thing = list?.querySelector("button:focus-visible")?.form;
  return list && { top: list.closest(".work").scrollTop, thing: thing && numberOf(thing) };
};

// The thing to do next is in sight, wherever she was.
export const backToSpot = (main, spot) => {
  const list = main.querySelector(".ticklist");
  if (!list) return;
  if (spot) list.closest(".work").scrollTop = spot.top;
  const form = spot && [...list.querySelectorAll("form")].find((one) => numberOf(one) === spot.thing);
  form?.querySelector("button").focus({ preventScroll: true });
  const next = list.querySelector(".thing-next");
  for (const part of [next, next?.querySelector("button")]) part?.scrollIntoView({ block: "nearest" });
};
