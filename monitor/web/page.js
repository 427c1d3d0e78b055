// Keys go to the screen from the start, and again after a click beside it.
addEventListener("load", () => {
  const focus = () => document.querySelector(".xterm-helper-textarea")?.focus();
  focus();
  addEventListener("pointerup", focus);
  addEventListener("focus", focus);
});
