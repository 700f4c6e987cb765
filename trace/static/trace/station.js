// The page of a station: an answer is heard, the scan line has the focus again, and what was scanned since the last
// answer goes along with the next scan. How a scan is sent, and sent again, is not its business.
(() => {
  "use strict";

  const KEPT = "station-sound";
  const NOTES = { go: [[660, 0, 0.09], [990, 0.1, 0.14]], stop: [[196, 0, 0.5]], ask: [[660, 0, 0.09]] }; // hertz, from, for
  const sound = document.getElementById("sound");
  const quiet = () => {
    try {
      return localStorage.getItem(KEPT) === "off";
    } catch {
      return false;
    }
  };
  let listener;

  const play = (name) => {
    if (quiet() || !NOTES[name] || !window.AudioContext) return;
    listener = listener || new AudioContext();
    if (listener.state === "suspended") listener.resume().catch(() => {});
    for (const [pitch, from, length] of NOTES[name]) {
      const tone = listener.createOscillator();
      const level = listener.createGain();
      const at = listener.currentTime + from;
      tone.type = name === "stop" ? "square" : "sine";
      tone.frequency.value = pitch;
      level.gain.setValueAtTime(0.18, at);
      level.gain.setTargetAtTime(0, at + length - 0.03, 0.015);
      tone.connect(level).connect(listener.destination);
      tone.start(at);
      tone.stop(at + length + 0.1);
    }
  };

  if (sound && window.AudioContext) {
    const name = () => {
      sound.textContent = quiet() ? "Sound is off" : "Sound is on";
    };
    name();
    sound.hidden = false;
    sound.addEventListener("click", () => {
      try {
        localStorage.setItem(KEPT, quiet() ? "on" : "off");
      } catch {
        sound.textContent = "Sound can’t be switched here";
        return;
      }
      name();
      play("go");
      document.getElementById("scan").focus();
    });
  }

  // An Enter too many is no scan: the answer stays.
  window.addEventListener(
    "submit",
    (event) => {
      const pressed = event.submitter && event.submitter.name === "told";
      if (event.target.id !== "scanning" || pressed || document.getElementById("scan").value.trim()) return;
      event.preventDefault();
      event.stopImmediatePropagation();
    },
    true,
  );

  // What was scanned goes along with what is scanned after it, until it is answered: so it is clear which unit a result
  // or a part is of, also where all of them wait to be sent.
  let since = "";
  const carry = () => {
    for (const field of document.querySelectorAll("input[name=since][form=scanning]")) field.value = since;
  };
  window.addEventListener("submit", (event) => {
    if (event.target.id !== "scanning") return;
    const pressed = event.submitter && event.submitter.name === "told" ? event.submitter.value : "";
    since += `${pressed || document.getElementById("scan").value}\n`;
    if (event.defaultPrevented) carry(); // what this scan says is read already; the next may follow at once
    setTimeout(() => shown.classList.add("sent"));
  });

  // A result that is scanned once readings were typed, or units of a rack ticked, goes with them, as if it were pressed.
  window.addEventListener(
    "submit",
    (event) => {
      const result = document.getElementById("result");
      if (event.target.id !== "scanning" || !result) return;
      const said = document.getElementById("scan").value.trim().toLowerCase().split("/").pop();
      const button = result.querySelector(`button[name=outcome][value="${CSS.escape(said)}"]`);
      const told = [...result.querySelectorAll("[name^=reading-], [name=failing]")];
      const given = (field) => (field.matches("[type=radio], [type=checkbox]") ? field.checked : field.value);
      if (!button || !told.some(given)) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      event.target.reset();
      button.click();
    },
    true,
  );

  // A label that was scanned into the field of a reading is none: it goes to the scan line.
  document.addEventListener("keydown", (event) => {
    const field = event.target;
    const label = field.matches("[name^=reading-]:not([type=radio])") && /^\s*[^-+\d.,\s]/.test(field.value);
    if (event.key !== "Enter" || !label) return;
    event.preventDefault();
    const line = document.getElementById("scan");
    line.value = field.value;
    field.value = "";
    line.form.requestSubmit();
  });

  // A station that is shown anew: what it leads to is opened, and the next scan finds its line. While the server is away
  // it is a stand-in, which knows what the one before knew, but for the unit.
  const renew = (section, before) => {
    if (section.dataset.opens) {
      window.location.assign(section.dataset.opens);
      return;
    }
    if (!section.dataset.away) since = "";
    for (const field of section.dataset.away && before ? section.querySelectorAll("input[form=scanning]") : []) {
      const known = before.querySelector(`input[form=scanning][name=${field.name}]`);
      if (known && field.name !== "unit") field.value = known.value;
    }
    carry();
    if (window.htmx) window.htmx.process(section);
    expect();
    window.scrollTo({ top: 0 });
  };

  // What is to be measured first waits for its value, else the scan line for a scan; never while somebody types.
  const expect = () => {
    const line = document.getElementById("scan");
    const busy = document.activeElement;
    if (busy.matches("input, textarea, select") && (busy !== line || line.value)) return;
    const empty = [...document.querySelectorAll("#work [name^=reading-]:not([type=radio])")].find((field) => !field.value);
    (empty || line).focus({ preventScroll: true });
    if (empty) empty.scrollIntoView({ block: "nearest" });
  };
  document.addEventListener("htmx:afterSwap", (event) => event.target.closest("#station") && expect());

  let shown = document.getElementById("station");
  play(shown.dataset.answer);
  expect();
  new MutationObserver(() => {
    const now = document.getElementById("station");
    if (!now || now === shown) return;
    const before = shown;
    shown = now;
    renew(now, before);
  }).observe(shown.parentElement, { childList: true });
  document.addEventListener("scan-answer", (event) => {
    if (!event.detail.late) play(event.detail.answer);
  });
})();
