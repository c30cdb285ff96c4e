// The button that prints the sheets on the page; without scripts the browser's own menu does.
const button = document.getElementById("print");
if (button) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}
