// Tells the figures of a picture beneath it: where one points, or with the arrow keys, column by column.
"use strict";
(() => {
  const shown = (columns) => columns.filter((column) => column.getClientRects().length);
  const columnsOf = (figure) => shown([...figure.querySelectorAll(".hit")]);
  const readout = (figure) => figure.querySelector("[data-readout]");
  const told = (column) => column.parentNode.querySelector("title, [data-told]");
  const tell = (figure, column) => {
    if (!column) return;
    for (const other of figure.querySelectorAll(".hit.here")) other.classList.remove("here");
    column.classList.add("here");
    const words = told(column)?.textContent;
    if (words && readout(figure)) readout(figure).textContent = words;
  };
  const ready = (figure) => {
    const line = readout(figure);
    if (!line || !figure.querySelector(".hit")) return;
    figure.tabIndex = 0;
    figure.setAttribute("role", "group");
    figure.setAttribute("aria-label", "Picture with figures: left and right arrow keys go through the times");
    if (line.hidden) {
      line.hidden = false;
      line.setAttribute("role", "status");
      line.textContent = "Point at a time for its figures, or go through them with the arrow keys.";
    }
  };
  const at = (event) => event.target.closest?.("[data-values]");
  document.addEventListener("pointerover", (event) => {
    const figure = at(event);
    if (figure && event.target.classList.contains("hit")) tell(figure, event.target);
  });
  document.addEventListener("keydown", (event) => {
    const figure = at(event);
    if (!figure || event.target !== figure || event.ctrlKey || event.altKey || event.metaKey) return;
    const columns = columnsOf(figure);
    const is = columns.findIndex((column) => column.classList.contains("here"));
    const step = { ArrowRight: is + 1, ArrowLeft: is < 0 ? columns.length - 1 : is - 1, Home: 0, End: columns.length - 1 }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    tell(figure, columns[Math.min(Math.max(step, 0), columns.length - 1)]);
  });
  const all = () => document.querySelectorAll("[data-values]").forEach(ready);
  document.addEventListener("picture:new", all);
  all();
})();
