// A station's page opens although the server is away: its frame and what goes on without an answer are laid by as the
// page is opened, and the worker takes them from there. Of what the page showed nothing is laid by, and nothing of
// anybody but whoever is signed in now.
(() => {
  "use strict";
  if (!window.caches || !navigator.serviceWorker) return;

  const kept = document.getElementById("kept");
  const template = document.querySelector("template#away");
  const station = document.getElementById("station");
  const name = `station-of-${document.querySelector("form.out") && kept ? kept.dataset.operator : ""}`;

  const forget = async () => {
    const others = (await caches.keys()).filter((each) => each.startsWith("station-of-") && each !== name);
    await Promise.all(others.map((each) => caches.delete(each)));
  };

  const frame = () => {
    const copy = document.documentElement.cloneNode(true);
    copy.querySelector("#kept").replaceChildren();
    copy.querySelector("#kept").dataset.away = "yes";
    const bare = copy.querySelector("#station");
    bare.dataset.away = "yes";
    bare.replaceChildren(template.content.cloneNode(true));
    for (const part of bare.querySelectorAll("[data-needs-last]")) part.hidden = true;
    return `<!doctype html>${copy.outerHTML}`;
  };

  const layBy = async () => {
    const headers = {
      "Content-Type": "text/html; charset=utf-8",
      "Content-Security-Policy": "default-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    };
    const cache = await caches.open(name);
    await cache.put(location.pathname, new Response(frame(), { headers }));
    const parts = document.querySelectorAll("script[src], link[rel=stylesheet], link[rel=icon]");
    await cache.addAll([...parts].map((part) => part.src || part.href));
    await navigator.serviceWorker.register("/station/worker.js");
  };

  const signedIn = document.querySelector("form.out");
  if (!signedIn) forget();
  else if (kept && template && station && !kept.dataset.away) forget().then(layBy).catch(() => {});
})();
