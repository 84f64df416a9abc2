// Keeps "in 12 min" true while a page stays open, and says when a plan has grown old. The clock is the server's.
"use strict";
const root = document.querySelector("[data-now]");
const ahead = root ? Number(root.dataset.now) - Date.now() : 0;
const words = (minutes) => {
  const hours = Math.floor(minutes / 60);
  if (!hours) return `${minutes} min`;
  return minutes % 60 ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${hours} h`;
};
const tick = () => {
  const now = Date.now() + ahead;
  for (const gap of document.querySelectorAll("[data-until]")) {
    const minutes = Math.trunc((Number(gap.dataset.until) - now) / 60000);
    const late = Number(gap.dataset.until) <= now;
    gap.textContent = late ? gap.dataset.late : minutes ? `in ${words(minutes)}` : "now";
    gap.closest("[data-call]")?.classList.toggle("late", late);
  }
  for (const line of document.querySelectorAll("[data-old-after]")) line.hidden = now < Number(line.dataset.oldAfter);
};
if (root) {
  tick();
  setInterval(tick, 5000);
}
