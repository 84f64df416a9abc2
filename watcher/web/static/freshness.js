// Says so when a part of a page that fetches itself anew is no longer kept up to date.
"use strict";
const told = () => document.querySelector("[data-freshness]");
const stale = (is) => {
  const line = told();
  if (line) line.hidden = !is;
};
document.addEventListener("htmx:error", () => stale(true));
document.addEventListener("htmx:response:error", () => stale(true));
document.addEventListener("htmx:after:swap", () => stale(false));
