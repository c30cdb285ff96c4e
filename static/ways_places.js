// Marking the figure on the drawing: two taps on opposite corners, or one stroke from corner to corner.
for (const form of document.querySelectorAll("[data-figure-form]")) {
  const drawing = form.parentElement.querySelector("[data-mark-figure]");
  if (drawing) mark(form, drawing);
}

function mark(form, drawing) {
  const { units, rows, allUnits, firstUnit, firstRow, fromRight } = drawing.dataset;
  const fields = Object.fromEntries(
    ["first_row", "last_row", "first_unit", "last_unit"].map((name) => [name, form.elements[name]]),
  );
  const frames = drawing.querySelectorAll(".place-frame, .place-frame-under");
  const corner = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  corner.setAttribute("class", "place-corner");
  corner.setAttribute("width", 1);
  corner.setAttribute("height", 1);
  drawing.classList.add("place-live");
  const told = form.parentElement.querySelector("[data-corner-told]");
  const TELL = "Tap one corner.";
  told.textContent = TELL;
  for (const words of form.querySelectorAll("[data-with-script]")) words.hidden = false;
  for (const words of form.querySelectorAll("[data-without-script]")) words.hidden = true;

  let first = null; // the corner that was tapped, until the other one is
  let pressed = null; // where the pointer went down

  // Across from the left and up from the lowest row that is shown, both from 0; null beside the drawing.
  function cellAt(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(drawing.getScreenCTM().inverse());
    const across = Math.floor(at.x);
    const up = rows - 1 - Math.floor(at.y);
    return across >= 0 && across < units && up >= 0 && up < rows ? { across, up } : null;
  }

  // Units as she counts them, from where they are in the drawing, and back.
  const unitAt = (across) =>
    fromRight === undefined ? across + Number(firstUnit) : allUnits - across - firstUnit + 1;
  const acrossOf = (unit) => (fromRight === undefined ? unit - firstUnit : allUnits - unit - firstUnit + 1);

  function frame(left, right, low, high) {
    for (const one of frames) {
      one.setAttribute("x", left);
      one.setAttribute("y", rows - 1 - high);
      one.setAttribute("width", right - left + 1);
      one.setAttribute("height", high - low + 1);
    }
  }

  function take(one, other) {
    const [left, right] = [one.across, other.across].sort((a, b) => a - b);
    const [low, high] = [one.up, other.up].sort((a, b) => a - b);
    const counted = [unitAt(left), unitAt(right)].sort((a, b) => a - b);
    fields.first_unit.value = counted[0];
    fields.last_unit.value = counted[1];
    fields.first_row.value = low + Number(firstRow);
    fields.last_row.value = high + Number(firstRow);
    frame(left, right, low, high);
    first = null;
    corner.remove();
    told.textContent = TELL;
  }

  function begin(cell) {
    first = cell;
    corner.setAttribute("x", cell.across);
    corner.setAttribute("y", rows - 1 - cell.up);
    drawing.append(corner);
    told.textContent = "Now the other corner.";
  }

  drawing.addEventListener("pointerdown", (event) => {
    pressed = event.isPrimary ? cellAt(event) : null;
  });
  drawing.addEventListener("pointercancel", () => {
    pressed = null; // it became a scroll
  });
  drawing.addEventListener("pointerup", (event) => {
    const cell = event.isPrimary && cellAt(event);
    if (!pressed || !cell) return;
    if (cell.across !== pressed.across || cell.up !== pressed.up) take(pressed, cell);
    else if (first) take(first, cell);
    else begin(cell);
    pressed = null;
  });

  // What is written moves the frame, where it makes sense.
  form.addEventListener("input", () => {
    const [row, otherRow, unit, otherUnit] = Object.values(fields).map((field) => Number(field.value));
    const inside = (number, most) => Number.isInteger(number) && number >= 0 && number < most;
    const ups = [row - firstRow, otherRow - firstRow].sort((a, b) => a - b);
    const acrosses = [acrossOf(unit), acrossOf(otherUnit)].sort((a, b) => a - b);
    if (ups.every((up) => inside(up, rows)) && acrosses.every((at) => inside(at, units))) {
      frame(...acrosses, ...ups);
    }
  });
}
