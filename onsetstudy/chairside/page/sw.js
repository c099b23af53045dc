// Serves the page when the computer is away; entries are kept by the page itself.
const FILES = [
  "/", "/style.css", "/icon.svg", "/main.js", "/set_up.js", "/log.js", "/flow.js", "/codes.js", "/parts.js", "/pin.js",
  "/chair.js", "/at_hand.js", "/phases.js", "/clock_line.js", "/words.js", "/case_screens.js", "/new_case.js", "/more.js",
  "/mixing.js", "/screening.js", "/training.js", "/drill.js",
];
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
