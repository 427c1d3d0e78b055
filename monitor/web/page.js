// Keys go to the screen from the start, and again after a click beside it.
addEventListener("load", () => {
  const focus = () => document.querySelector(".xterm-helper-textarea")?.focus();
  const first = setInterval(() => {
    if (document.body.classList.contains("-loaded")) {
      clearInterval(first);
      focus();
    }
  }, 50);
  addEventListener("pointerup", focus);
  addEventListener("focus", focus);
});
