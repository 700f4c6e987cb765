// How a scan that this browser keeps is sent, and which may be: `kept.js` says when.
window.sending = (() => {
  "use strict";

  const PATIENCE = 10_000; // milliseconds for an answer
  const RESULTS = ["PASSED", "FAILED", "ABORTED"];

  // What the server found this browser's clock to be off: told again, so that scans keep their distances.
  const recall = (name, value) => {
    try {
      if (value) localStorage.setItem(name, value);
      return localStorage.getItem(name) || "";
    } catch {
      return "";
    }
  };

  const cookie = (name) => (document.cookie.match(`(?:^|; )${name}=([^;]*)`) || ["", ""])[1];

  // {answer, html, says} where the server answered this scan, {why} where it did not take it, {away} where it is not
  // there, {broken} where it failed on it.
  const send = async (scan) => {
    let response, html;
    try {
      response = await fetch(scan.url, {
        method: "POST",
        body: new URLSearchParams(scan.fields),
        headers: {
          "Kept-Id": scan.id,
          "Kept-At": scan.at,
          "Device-Time": new Date().toISOString(),
          "Clock-Off": recall("clock-off"),
          "X-CSRFToken": cookie("csrftoken"),
        },
        redirect: "manual",
        signal: AbortSignal.timeout(PATIENCE),
      });
      html = await response.text();
    } catch {
      return { away: true };
    }
    const told = (name) => response.headers.get(name) || "";
    if (told("Kept-Id") === scan.id && ["go", "stop", "ask"].includes(told("Scan-Answer"))) {
      recall("clock-off", told("Clock-Off"));
      const says = decodeURIComponent(told("Scan-Says")) || "It was refused.";
      return { answer: told("Scan-Answer"), html, says, kept: told("Scan-Refused") };
    }
    if (response.type === "opaqueredirect" || response.status === 401) return { out: true, why: "sign in to send." };
    if (response.status === 403) return { out: true, why: "sign in as somebody who works here to send." };
    if (response.status === 429) return { why: "the server has too much to do.", pause: 1000 * told("Retry-After") };
    if (response.status >= 500) return { away: true, broken: response.status === 500 };
    return { why: `the server’s answer is not understood (${response.status}).` };
  };

  // The units, or what else, that a scan is about: what was scanned with it since the last result, or is shown.
  const plain = (text) => text.trim().toUpperCase().split("/").pop().split(".")[0];
  const namesOf = (scan) => {
    const field = (name) => (scan.fields.find(([each]) => each === name) || ["", ""])[1];
    const told = plain(field("told"));
    const lines = [...field("since").split("\n").map(plain), told].filter(Boolean);
    const names = [];
    if (told && RESULTS.includes(told)) lines.pop();
    while (lines.length && !RESULTS.includes(lines.at(-1))) names.push(lines.pop());
    if (!lines.length) names.push(plain(field("unit")), plain(field("fits")));
    return names.filter(Boolean);
  };

  // Those that wait for nothing but the server, the oldest first: none that was set aside, and none that is about the
  // same unit as one before it that can't be sent.
  const sendable = (scans) => {
    const stopped = new Set();
    return scans.filter((scan) => {
      if (scan.refused) return false;
      const names = namesOf(scan);
      const free = !scan.aside && !names.some((name) => stopped.has(name));
      if (!free) for (const name of names) stopped.add(name);
      return free;
    });
  };

  return { PATIENCE, send, sendable };
})();
