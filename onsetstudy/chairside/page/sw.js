// Serves the page when the computer is away; entries are kept by the page itself.
const FILES = ["/", "/style.css", "/main.js", "/chair.js", "/setup.js", "/set_up.js", "/mixing.js", "/training.js", "/pin.js", "/screening.js", "/drill.js", "/parts.js", "/log.js", "/flow.js", "/codes.js", "/icon.svg"];
self.addEventListener("install", (event) => {
  event.waitUntil(caches.open("page").then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  if (event.request.method !== "GET" || !FILES.includes(path)) return;
  event.respondWith(
    fetch(event.request)
      .then(async (answer) => {
        if (answer.ok) await (await caches.open("page")).put(path, answer.clone());
        return answer;
      })
      .catch(() => caches.match(path)),
  );
});
