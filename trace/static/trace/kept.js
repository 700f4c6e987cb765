// No scan is lost while the server is away. What a form[data-kept] says is first written into this browser, and is
// taken out again only once the server has answered that very scan; until then it waits and says so. One tab at a time
// sends, the oldest first, none before the one before it is answered: across stations and operators of this browser.
//
// data-kept     on a form: its scans are kept; data-says on it or on its button says in words what it records,
//               {unit} in it stands for what its field with data-unit holds
// #kept         where it is said what waits, with data-station, data-operator, data-zone; made where a page has none
// #station      the part of the page that an answer for data-station brings anew
// template#away what stands there while the server is away: data-last is filled with the last unit kept, an element
//               with data-needs-last is there only after one
// scan-answer   the event by which the page hears of an answer: {answer: "go" | "stop" | "ask", late}
(() => {
  "use strict";

  const { PATIENCE, send, sendable } = window.sending; // milliseconds for an answer; what waited so long is late
  const SLOWEST = 15_000; // milliseconds between two tries
  const QUIET = 600; // milliseconds in which most scans are answered: what is quicker need not flicker
  const ENOUGH = 3; // times that the server fails on one scan, and answers others, until it is set aside
  const TWICE = 2_000; // milliseconds in which the same from the same form is a key pressed twice

  // The store -------------------------------------------------------------------------------------------------------

  const open = () =>
    new Promise((resolve, reject) => {
      const asked = indexedDB.open("kept-scans", 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("scans", { keyPath: "number", autoIncrement: true });
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(asked.error);
    });

  // Done only once the browser says that the transaction is on its disk.
  const stored = async (mode, work) => {
    const database = await open(); // anew each time: a tab that sleeps keeps no other waiting
    try {
      return await new Promise((resolve, reject) => {
        const transaction = database.transaction("scans", mode, { durability: "strict" });
        const asked = work(transaction.objectStore("scans"));
        transaction.oncomplete = () => resolve(asked.result);
        transaction.onabort = () => reject(transaction.error || asked.error);
      });
    } finally {
      database.close();
    }
  };
  const list = () => stored("readonly", (scans) => scans.getAll());
  const waits = (scan) => !scan.refused && !scan.aside;

  // The page --------------------------------------------------------------------------------------------------------

  const state = { since: null, why: "", out: false }; // since when the server is away; else why it does not take a scan
  const lost = []; // what could not be kept
  const region = () => {
    let found = document.getElementById("kept");
    if (!found) {
      found = document.createElement("div");
      found.id = "kept";
      document.querySelector("main").prepend(found);
    }
    return found;
  };
  const here = () => (document.getElementById("kept") || {}).dataset || {};
  const make = (name, text = "", kind = "", ...inner) => {
    const element = document.createElement(name);
    if (kind) element.className = kind;
    element.append(text, ...inner);
    return element;
  };
  const inOrder = (rows) => {
    const list = make("ol", "", "", ...rows);
    list.tabIndex = 0; // it may be long, and is scrolled by keys too
    return list;
  };
  const clock = (moment, seconds) =>
    new Date(moment).toLocaleTimeString("en-GB", {
      hour: "2-digit",
      minute: "2-digit",
      ...(seconds && { second: "2-digit" }),
      timeZone: here().zone,
    });
  const count = (number, one, many) => `${number} ${number === 1 ? `scan ${one}` : `scans ${many}`}`;
  const inWords = (scan) =>
    [scan.says, clock(scan.at, true), scan.operator && `by ${scan.operator}`, scan.station && `at ${scan.station}`]
      .filter(Boolean)
      .join(", ");
  const button = (words, act) => {
    const made = make("button", words);
    made.type = "button";
    made.addEventListener("click", act);
    return made;
  };

  const render = async () => {
    const scans = await list().catch(() => []);
    const troubled = state.since || state.why;
    const waiting = scans.filter((scan) => waits(scan) && (troubled || Date.now() - Date.parse(scan.at) >= QUIET));
    const refused = scans.filter((scan) => scan.refused);
    if (!scans.length && !lost.length && !document.getElementById("kept")) return;

    const parts = lost.map((scan) =>
      make(
        "div",
        make("p", make("strong", `Not kept: ${inWords(scan)}. Write it on paper.`)),
        "stop lost",
        make("p", scan.why),
        button("I wrote it down", () => lost.splice(lost.indexOf(scan), 1) && render()),
      ),
    );
    if (waiting.length || state.since) {
      const wait = waiting.length ? count(waiting.length, "waits", "wait") : "no scan waits";
      const head = state.since
        ? `The server is away since ${clock(state.since)}, ${wait}.`
        : `${wait}${state.why ? `: ${state.why}` : " for the server’s answer."}`;
      const sign = () => make("span", "waiting", "mark mark-waiting");
      const rows = waiting.map((scan) => make("li", sign(), "", ` ${inWords(scan)}`));
      const rest = " What waits is kept in this browser and not on record yet; it is sent by itself, in order.";
      const said = make("p", make("strong", head), "", rest);
      if (state.out) {
        const link = make("a", "Sign in");
        link.href = `/sign-in/?next=${encodeURIComponent(location.pathname)}`;
        said.append(" ", link);
      }
      parts.push(make("div", said, "waiting", inOrder(rows)));
    }
    if (refused.length) {
      const rows = refused.map((scan) =>
        make(
          "li",
          make("span", "refused", "mark mark-refused"),
          "",
          ` ${inWords(scan)}. `,
          make("strong", scan.refused),
          " ",
          button("Seen", () => stored("readwrite", (scans) => scans.delete(scan.number)).then(tell)),
        ),
      );
      const head = `${count(refused.length, "was", "were")} stopped, wholly or in part. See what became of the units.`;
      parts.push(make("div", make("p", make("strong", head)), "stop refused", inOrder(rows)));
    }
    const aside = scans.filter((scan) => scan.aside);
    if (aside.length) {
      const again = (scan) => stored("readwrite", (kept) => kept.put({ ...scan, failed: 0, aside: "" }));
      const rows = aside.map((scan) =>
        make(
          "li",
          make("span", "set aside", "mark mark-refused"),
          "",
          ` ${inWords(scan)}. `,
          make("strong", scan.aside),
          " ",
          button("Send it again", () => again(scan).then(tell).then(drain)),
        ),
      );
      const head = `${count(aside.length, "is", "are")} kept here and not on record.`;
      const rest = " What was scanned of the same unit after it waits. Write it on paper too, and call whoever runs the server.";
      parts.push(make("div", make("p", make("strong", head), "", rest), "stop aside", inOrder(rows)));
    }
    const shown = region();
    shown.setAttribute("role", lost.length ? "alert" : "status");
    if (shown.dataset.says !== (shown.dataset.says = parts.map((part) => part.textContent).join("\n"))) {
      shown.replaceChildren(...parts);
    }
  };

  const dirty = (part) =>
    [...part.querySelectorAll("input, textarea")].some((field) => field.value !== field.defaultValue);

  // The new state of the station takes the place of the old; what somebody types meanwhile stays.
  const bring = (fresh) => {
    const ticket = fresh.querySelector("[name=ticket]");
    const template = document.querySelector("template#away");
    for (const field of ticket && template ? template.content.querySelectorAll("[name=ticket]") : []) {
      field.setAttribute("value", ticket.value); // the newest: it lasts a shift
    }
    const old = document.getElementById("station");
    const focused = old.contains(document.activeElement) ? document.activeElement : null;
    old.replaceWith(fresh);
    if (window.htmx) window.htmx.process(fresh);
    const field = (focused && focused.id && document.getElementById(focused.id)) || fresh.querySelector("[autofocus]");
    if (!field) return;
    if (focused && field.id === focused.id && "value" in field && focused.value !== focused.defaultValue) {
      field.value = focused.value;
    }
    field.focus({ preventScroll: true });
  };

  const show = ({ scan, answer, html, late, newest }) => {
    const old = document.getElementById("station");
    if (old && here().station === scan.station && (newest || !dirty(old))) {
      const fresh = new DOMParser().parseFromString(html, "text/html").getElementById("station");
      if (fresh) bring(document.adoptNode(fresh));
    }
    document.dispatchEvent(new CustomEvent("scan-answer", { detail: { answer, late } }));
  };

  // While the server is away the page goes on with what needs no answer.
  const scanOn = async () => {
    const template = document.querySelector("template#away");
    const old = document.getElementById("station");
    if (!template || !old || !state.since || dirty(old)) return;
    const waiting = (await list()).filter((scan) => waits(scan) && scan.station === here().station);
    if (!waiting.length && !here().away) return;
    const unit = waiting.reduce((last, scan) => scan.unit || last, "");
    const fresh = old.cloneNode(false);
    fresh.removeAttribute("class"); // what it is while an answer is on its way
    fresh.dataset.away = "yes";
    fresh.append(template.content.cloneNode(true));
    for (const part of fresh.querySelectorAll("[data-needs-last]")) part.hidden = !unit;
    for (const part of fresh.querySelectorAll("[data-last]")) {
      if (part.matches("input")) part.setAttribute("value", unit);
      else part.textContent = unit;
    }
    bring(fresh);
  };

  // Sending ---------------------------------------------------------------------------------------------------------

  const channel = window.BroadcastChannel ? new BroadcastChannel("kept-scans") : null;
  const tell = (news = {}) => {
    if (channel) channel.postMessage(news);
    return heed(news);
  };
  const heed = async (news) => {
    if (news.state) Object.assign(state, news.state);
    if (news.answered) show(news.answered);
    await render();
    if (state.since) await scanOn();
    else if (document.querySelector("#station[data-away]") && !sendable(await list()).length) location.reload();
  };
  if (channel) channel.onmessage = (event) => heed(event.data);

  const mine = new Set(); // what was scanned into this page: whoever did it sees the answer
  let tries = 0;
  let timer;
  const fail = ({ away, why = "", out = false, pause = 0 }) => {
    tries += 1;
    timer = setTimeout(drain, Math.max(Math.min(500 * 2 ** tries, SLOWEST), pause || 0));
    return tell({ state: { since: away ? state.since || Date.now() : null, why, out } });
  };
  const ANSWERING = { since: null, why: "", out: false };

  // The server answers others and fails on this one again and again: it stands aside, and the rest goes on.
  const setAside = async (scan) => {
    const failed = (scan.failed || 0) + 1;
    const asked = { method: "HEAD", signal: AbortSignal.timeout(PATIENCE) };
    const works = failed >= ENOUGH && (await fetch(location.href, asked).catch(() => ({}))).ok;
    const aside = works ? "The server fails on it again and again." : "";
    await stored("readwrite", (kept) => kept.put({ ...scan, failed, aside }));
    if (!works) return false;
    tries = 0;
    await tell({ state: ANSWERING });
    return true;
  };

  const sendOldest = async () => {
    const scans = await list();
    const ready = sendable(scans);
    const [scan] = ready;
    if (!scan) return false;
    const told = await send(scan);
    if (told.broken && (await setAside(scan))) return true;
    if (!told.answer) {
      await fail(told);
      return false;
    }
    tries = 0;
    const newest = scan.number === ready.at(-1).number;
    const late = Boolean(told.kept) || !newest || !mine.has(scan.id) || Date.now() - Date.parse(scan.at) > PATIENCE;
    await stored("readwrite", (kept) =>
      told.answer === "stop" && late ? kept.put({ ...scan, refused: told.says }) : kept.delete(scan.number),
    );
    await tell({ state: ANSWERING, answered: { scan, answer: told.answer, html: told.html, late, newest } });
    return true;
  };

  const alone = (work) => (navigator.locks ? navigator.locks.request("kept-scans", work) : work());
  let sending = false;
  let wanted = false;
  const drain = async () => {
    clearTimeout(timer);
    wanted = true;
    if (sending) return;
    sending = true;
    try {
      while (wanted) {
        wanted = false;
        await alone(async () => {
          while (await sendOldest());
        });
      }
    } catch {
      // This browser keeps nothing: whatever is scanned says so.
    } finally {
      sending = false;
    }
  };

  // What the browser refuses to keep is shouted at once. It is sent all the same, if nothing waits before it.
  const sendUnkept = async (scan, error) => {
    lost.push(scan);
    scan.why = `This browser refuses to keep it (${error.name || "storage"}).`;
    await render();
    await alone(async () => {
      if ((await list().catch(() => [])).some(waits)) return;
      const told = await send(scan);
      if (!told.answer) return;
      lost.splice(lost.indexOf(scan), 1);
      const answered = { scan, answer: told.answer, html: told.html, late: false, newest: true };
      await tell({ state: ANSWERING, answered });
    });
  };

  // A scan ----------------------------------------------------------------------------------------------------------

  const pressed = new WeakMap();
  document.addEventListener(
    "submit",
    async (event) => {
      const form = event.target;
      if (!form.matches("form[data-kept]")) return;
      event.preventDefault();
      const at = new Date();
      const fields = [...new FormData(form, event.submitter)].filter(
        ([name, value]) => typeof value === "string" && name !== "csrfmiddlewaretoken",
      );
      const hidden = new Set([...form.elements].filter((field) => field.type === "hidden").map((field) => field.name));
      const typed = JSON.stringify(fields.filter(([name]) => !hidden.has(name)));
      const before = pressed.get(form);
      pressed.set(form, { typed, at });
      if (before && before.typed === typed && at - before.at < TWICE) return event.stopImmediatePropagation();

      const named = form.querySelector("[data-unit]");
      const unit = named ? named.value.trim() : "";
      const words = (event.submitter && event.submitter.dataset.says) || form.dataset.says || "a scan";
      const says = words.replace("{unit}", unit || (event.submitter ? event.submitter.value : ""));
      const address = new URL(form.action);
      const scan = {
        id: [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join(""),
        url: address.pathname + address.search,
        fields: [...fields, ["says", says]],
        says,
        unit,
        operator: here().operator || "",
        station: here().station || "",
        at: at.toISOString(),
      };
      // Emptied at once, the last thing of all that hear of it: the next scan may follow within milliseconds.
      const filled = [...form.elements].filter((field) => field.matches("input, textarea"));
      const values = filled.map((field) => field.value);
      const emptied = new Promise((resolve) => {
        window.addEventListener("submit", () => resolve(form.reset()), { once: true });
      });
      try {
        scan.number = await stored("readwrite", (scans) => scans.add(scan));
      } catch (error) {
        pressed.delete(form);
        await emptied;
        filled.forEach((field, which) => (field.value = field.value || values[which]));
        return sendUnkept(scan, error || {});
      }
      mine.add(scan.id);
      setTimeout(render, QUIET + 50);
      await tell();
      await drain();
      if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
    },
    true,
  );

  // The page was laid by, and is open although the server is away: once it is back, the page is fetched anew.
  const ask = async () => {
    const asked = { method: "HEAD", signal: AbortSignal.timeout(PATIENCE) };
    const { ok } = await fetch(location.href, asked).catch(() => ({}));
    if (ok && !sendable(await list()).length && !dirty(document)) location.reload();
    else setTimeout(ask, SLOWEST / 5);
  };
  if (here().away) {
    state.since = Date.now();
    setTimeout(ask, SLOWEST / 5);
  }

  for (const [target, name] of [[window, "online"], [window, "pageshow"], [document, "visibilitychange"]]) {
    target.addEventListener(name, () => document.hidden || render().then(drain));
  }
})();
