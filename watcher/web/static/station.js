// Keeps the page of a station true: fetches it anew when the station changed, and says so when that is not possible.
"use strict";
(() => {
  const page = () => document.getElementById("station");
  if (!page()) return;
  const TOGETHER_MS = 150;
  const EVERY_MS = 60_000;
  const AGAIN_MS = 5000;
  const GIVE_UP_MS = 12_000;
  const CHANGED_MS = 120_000;
  const lost = (is) => { document.getElementById("lost").hidden = !is; };
  let waiting = null;
  let mark = page().dataset.mark;

  const parts = () => [...page().querySelectorAll(".head, section")];
  const words = (part) => part.textContent.replace(/\d+ (s|min|h|d)( \d\d min| \d h)? old|as of [^)]*\)?/g, "");
  const put = async (text) => {
    const made = new DOMParser().parseFromString(text, "text/html").getElementById("station");
    if (!made) throw new Error("no station");
    const before = parts().map(words);
    const heading = new DOMParser().parseFromString(text, "text/html").title;
    await htmx.swap({ sourceElement: page(), target: page(), swap: "outerMorph", text: made.outerHTML });
    document.title = heading;
    document.dispatchEvent(new Event("picture:new"));
    parts().forEach((part, place) => {
      if (place === 1 || before[place] === words(part)) return;
      part.classList.add("changed");
      setTimeout(() => part.classList.remove("changed"), CHANGED_MS);
    });
  };
  const fetchNow = async () => {
    waiting = null;
    try {
      const answer = await fetch(location.href, { signal: AbortSignal.timeout(GIVE_UP_MS) });
      if (answer.redirected || !answer.ok) throw new Error(String(answer.status));
      await put(await answer.text());
      lost(stream.readyState !== EventSource.OPEN);
    } catch {
      lost(true);
      want(AGAIN_MS);
    }
  };
  const want = (after = TOGETHER_MS) => { waiting ??= setTimeout(fetchNow, after); };

  let stream;
  const listen = () => {
    const { live, code } = page().dataset;
    stream = new EventSource(`${live}?station=${code}&since=${encodeURIComponent(mark)}`);
    stream.onopen = () => {
      if (!document.getElementById("lost").hidden) want();
      lost(false);
    };
    stream.onerror = () => {
      lost(true);
      if (stream.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
    };
    for (const kind of ["stations", "refresh", "alert"]) {
      stream.addEventListener(kind, (event) => {
        mark = event.lastEventId || mark;
        if (kind === "alert") document.getElementById("news").textContent = JSON.parse(event.data).headline;
        want();
      });
    }
  };
  listen();
  window.addEventListener("offline", () => lost(true));
  window.addEventListener("online", () => want());
  // Ages grow and the present moves on, whatever is reported.
  setInterval(() => { if (!document.hidden) want(); }, EVERY_MS);
})();
