// A part of a page that fetches itself anew (id "list"): at once when there is news, and saying so when it cannot.
"use strict";
{
  const list = () => document.getElementById("list");
  const say = (words) => {
    const line = document.querySelector("[data-freshness]");
    if (!line) return;
    line.hidden = !words;
    if (words) line.textContent = words;
  };
  const words = (kind) => document.querySelector("[data-freshness]")?.dataset[kind] ?? "";

  document.addEventListener("htmx:error", () => say(words("unanswered")));
  document.addEventListener("htmx:after:request", (event) => {
    const status = event.detail?.ctx?.response?.status ?? 0;
    say(status === 401 || status === 403 ? words("signedOut") : status >= 400 ? words("unanswered") : "");
  });

  // Several things that happen together are one reason to look.
  let waiting = 0;
  const look = () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => list()?.dispatchEvent(new Event("news")), 400);
  };
  const live = list()?.dataset.live;
  if (live) {
    const stream = new EventSource(live);
    for (const kind of ["alert", "stations", "refresh"]) stream.addEventListener(kind, look);
  }
}
