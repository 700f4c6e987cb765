// Choosing by keyboard: from the field down into what it offers, and back; what was sent in place says its refusal there.
(() => {
  "use strict";

  const links = () => [...document.querySelectorAll("#options a")];
  const STEPS = { ArrowDown: 1, ArrowUp: -1 };
  document.addEventListener("keydown", (event) => {
    const step = STEPS[event.key];
    const field = document.getElementById("subject");
    const at = links().indexOf(document.activeElement);
    if (!step || !field || (event.target !== field && at < 0)) return;
    const next = at + step < 0 ? field : links()[at + step];
    if (!next) return;
    event.preventDefault();
    next.focus();
  });

  // A refusal of what was sent without leaving the page takes the page's place like any other answer.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const { requestConfig, xhr } = event.detail;
    if (!requestConfig.elt.matches("[data-in-place]") || xhr.status < 400 || xhr.status >= 500) return;
    event.detail.shouldSwap = true;
    event.detail.isError = false;
  });
})();
