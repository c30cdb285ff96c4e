// Two screens went on from the same place, each its own way: she chooses.
"use strict";

// Show both stories; the answer is what a tap of kind “settle” says to go on from here, or null to go on
// from the other screen’s place. There is no third way out.
export const chooseBetween = (html) =>
  new Promise((choose) => {
    const made = document.createElement("template");
    made.innerHTML = html;
    const dialog = made.content.querySelector("dialog");
    document.body.append(dialog);
    dialog.addEventListener("cancel", (event) => event.preventDefault());
    dialog.addEventListener("click", ({ target }) => {
      const button = target.closest("button[data-goes]");
      if (!button) return;
      dialog.close();
      dialog.remove();
      const { goes, card, pick } = button.dataset;
      choose(goes === "here" ? { card: Number(card), pick: Number(pick) } : null);
    });
    dialog.showModal();
  });
