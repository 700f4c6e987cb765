// Where the server does not answer, a station's page and its files are as `shell.js` laid them by.
"use strict";

const PATIENCE = 10_000; // milliseconds
const AWAY = [502, 503, 504]; // what stands before the server says that it is away

const find = async (request) => (await caches.match(request, { ignoreSearch: true, ignoreVary: true })) || null;

const answer = async (request) => {
  let response;
  try {
    response = await fetch(request, { signal: AbortSignal.timeout(PATIENCE) });
  } catch (error) {
    const laidBy = await find(request);
    if (laidBy) return laidBy;
    throw error;
  }
  return (AWAY.includes(response.status) && (await find(request))) || response;
};

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  if (event.request.method === "GET") event.respondWith(answer(event.request));
});
