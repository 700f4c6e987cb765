// The scan line is never lost: what a scanner types while nothing editable has the focus lands in it.
(() => {
  "use strict";

  const EDITABLE = "input, textarea, select, [contenteditable]";
  const line = () => document.getElementById("scan");

  // The separators of a 2D label are on no keyboard: scanners press these keys in their place.
  const PRESSED = { F8: "\x1d", F9: "\x1e" };
  const HELD = { "]": "\x1d", "^": "\x1e", 6: "\x1e", d: "\x04", D: "\x04" };
  const LABEL = /^\s*(\][A-Za-z][0-9A-Za-z])?>?\[\)>/;
  const typed = (event) => {
    if (event.altKey || event.metaKey) return "";
    if (event.ctrlKey) return HELD[event.key] || "";
    return PRESSED[event.key] || (event.key.length === 1 ? event.key : "");
  };
  const separates = (event) => event.ctrlKey || event.key in PRESSED;

  // In the scan line they are put where the scanner is in its label.
  document.addEventListener("keydown", (event) => {
    const scan = line();
    if (!scan || event.target !== scan || !LABEL.test(scan.value) || !separates(event) || !typed(event)) return;
    event.preventDefault();
    scan.setRangeText(typed(event), scan.selectionStart, scan.selectionEnd, "end");
  });

  document.addEventListener("keydown", (event) => {
    const scan = line();
    if (!scan || event.defaultPrevented || event.isComposing) return;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key.length !== 1 || event.key === " ") return;
    if (event.target instanceof Element && event.target.closest(EDITABLE)) return;
    event.preventDefault();
    scan.focus({ preventScroll: true });
    // A fresh scan takes the place of what an earlier one left; the next character goes behind this one.
    scan.value = event.key;
    scan.setSelectionRange(1, 1);
  });

  const goOn = (field) => {
    const fields = [...field.form.querySelectorAll("input:not([type=hidden]), textarea, select, button")];
    fields[fields.indexOf(field) + 1].focus();
  };

  // A sheet of many lines is not sent by an Enter in the midst of it: the next field waits.
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.defaultPrevented || !event.target.matches("form[data-lines] input")) return;
    event.preventDefault();
    goOn(event.target);
  });

  // In another field a scan looks like typing, but no hand is so fast: with its Enter it goes to the scan line after
  // all, and the field has again what it had. A field that is there to be scanned into keeps it.
  const FAST = 50; // milliseconds from key to key
  const SHORTEST = 4;
  let burst = { text: "", at: -Infinity };
  document.addEventListener(
    "keydown",
    (event) => {
      const scan = line();
      const field = event.target;
      if (!scan || field === scan || !(field instanceof Element) || !field.matches(EDITABLE)) return;
      if (field.matches("[data-scanned]")) return;
      if (burst.field !== field || event.timeStamp - burst.at > FAST) burst = { field, before: field.value, text: "" };
      burst.at = event.timeStamp;
      if (separates(event) && LABEL.test(burst.text) && typed(event)) event.preventDefault();
      if (!separates(event) || LABEL.test(burst.text)) burst.text += typed(event);
      if (event.key !== "Enter" || burst.text.length < SHORTEST) return;
      if (field.matches("[data-scans]")) {
        // It waits for a scan or for a gauge's reading, and then the next field does; a text takes one a line.
        if (field.matches("textarea")) return;
        event.preventDefault();
        goOn(field);
        return;
      }
      event.preventDefault();
      event.stopImmediatePropagation();
      field.value = burst.before;
      scan.value = burst.text;
      scan.form.requestSubmit();
    },
    true,
  );

  // What was scanned before, or a quantity that may be counted anew, is selected: what is typed takes its place.
  const renew = (field) => {
    if (field && (field === line() || field.matches("input[inputmode=decimal]"))) field.select();
  };
  document.addEventListener("focusin", (event) => renew(event.target));
  renew(document.activeElement);

  // Also while its page is still on the way.
  document.addEventListener("submit", (event) => {
    if (event.target.contains(line())) line().select();
  });

  // A form is sent once, however often Enter is pressed.
  document.addEventListener("submit", (event) => {
    if (event.target.method !== "post" || event.defaultPrevented) return;
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "yes";
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  });

  // A part that refreshes itself waits while nobody looks. Where that fails it stays, and says of when it is; the
  // page of whoever was signed out meanwhile does not take its place. What had the focus has it again.
  const REFRESHED = "[data-refreshed]";
  const refreshed = () => document.querySelector(REFRESHED);
  let focused = null;
  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.detail.elt.matches(REFRESHED) && document.hidden) event.preventDefault();
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && refreshed()) window.htmx.trigger(refreshed(), "refresh");
  });
  const stale = (event) => {
    if (event.detail.elt.matches(REFRESHED)) event.detail.elt.querySelector("[data-stale]").hidden = false;
  };
  for (const failure of ["responseError", "sendError", "timeout"]) document.addEventListener(`htmx:${failure}`, stale);
  document.addEventListener("htmx:beforeSwap", (event) => {
    const part = event.detail.requestConfig.elt;
    if (!part.matches(REFRESHED) || event.detail.isError) return;
    if (new URL(event.detail.xhr.responseURL).pathname !== location.pathname) {
      event.detail.shouldSwap = false;
      stale(event);
    }
    const focus = document.activeElement;
    focused = part.contains(focus) && !focus.id ? focus.getAttribute("href") : null;
  });
  document.addEventListener("htmx:afterSwap", () => {
    const link = focused && refreshed() && refreshed().querySelector(`a[href="${CSS.escape(focused)}"]`);
    if (link) link.focus({ preventScroll: true });
    focused = null;
  });

  // Where a part of the page could not be fetched, the whole page says why.
  document.addEventListener("htmx:responseError", (event) => {
    if (event.detail.elt.matches(REFRESHED)) return;
    const path = event.detail.pathInfo && event.detail.pathInfo.finalRequestPath;
    if (path) window.location.assign(path);
  });

  // A link to a closed part of the tree opens it.
  const open = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const details = target && target.closest("details");
    if (details) details.open = true;
  };
  window.addEventListener("hashchange", open);
  open();
})();
