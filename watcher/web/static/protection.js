// Pages of treated aircraft: clocks that run on from absolute times, and what the server says, asked again and again.
// What it turns is named in the markup: data-turn a time at which a text gives way to another, data-left and data-wait
// a countdown (never too long, never too short), data-since, data-age, data-part what is replaced when it changed.
// The other two scripts of the page hang themselves into `hooks`.
window.protection = (() => {
  "use strict";
  const page = document.querySelector("[data-now]");
  if (!page) return null;
  const html = document.documentElement, own = page.dataset, kept = html.dataset.kept === "yes";
  html.classList.add("scripted");
  const hooks = { before: async () => {}, redrawn: () => {}, alarm: () => {} };
  const id = (name) => document.getElementById(name);
  const each = (selector, how, root = page) => root.querySelectorAll(selector).forEach(how);

  // What this phone remembers of this page; in a private window that may be for this visit only.
  const memory = {};
  const load = (name, other) => {
    try { return memory[name] ?? JSON.parse(localStorage.getItem(`hoarline ${name} ${own.now}`)) ?? other; } catch { return other; }
  };
  const save = (name, value) => {
    try { localStorage.setItem(`hoarline ${name} ${own.now}`, JSON.stringify(value)); } catch { memory[name] = value; }
  };

  // The server's time by this phone's clock.
  let offset = kept ? load("offset", 0) : own.at - Date.now();
  const now = () => Date.now() + offset;
  const z = (at) => `${new Date(at).toISOString().slice(11, 16).replace(":", "")}Z`;
  const span = (ms, round) => {
    const seconds = Math.max(0, round(ms / 1000));
    return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  };
  const write = (element, text) => { if (element.textContent !== text) element.textContent = text; };
  const say = (name, text) => {
    const line = id(name);
    if (!line) return;
    write(line, text);
    line.hidden = !text;
  };

  let stamp = own.stamp, heardAt = Number(own.at), lost = kept, closed = "";
  const burn = (fuse, at) => {
    const { starts, lower, upper, top, foot } = fuse.dataset;
    const share = Math.min(1, Math.max(0, (at - starts) / ((upper || lower) - starts)));
    const burnt = Math.round((foot - top) * share * 10) / 10;
    fuse.querySelector("#fuse-burnt").setAttribute("height", burnt);
    fuse.querySelector("#fuse-now").setAttribute("transform", `translate(0 ${Number(top) + burnt})`);
    fuse.classList.toggle("past", at >= lower);
  };
  const tick = () => {
    const at = now();
    each("[data-clock]", (e) => write(e, `${z(at).slice(0, 4)}:${new Date(at).toISOString().slice(17, 19)}Z`), document);
    each("[data-turn]", (e) => e.classList.toggle("past", at >= e.dataset.turn));
    each("[data-left]", (e) => write(e, span(e.dataset.left - at, Math.floor)));
    each("[data-since]", (e) => write(e, span(at - e.dataset.since, Math.floor)));
    each("[data-wait]", (e) => e.dataset.wait && write(e, span(e.dataset.wait - at, Math.ceil)));
    each("[data-age]", (e) => write(e, String(Math.max(0, Math.floor((at - e.dataset.age) / 60000)))));
    each("svg.fuse[data-lower]", (fuse) => burn(fuse, at));
    each("[data-over]", (e) => { if (at >= e.dataset.over && at - e.dataset.over < 60000) hooks.alarm(`over ${e.dataset.over}`); });
    if (at - heardAt > 40000) lost = true;
    const since = `since ${z(heardAt)}: the clocks run on with what was known then; weather since then is not in them.`;
    say("line", lost ? `${closed || "No connection"} ${since}` : "");
    const off = Math.round(Math.abs(offset) / 1000);
    const by = off < 600 ? `${off} s` : off < 172800 ? `${Math.round(off / 60)} min` : `${Math.round(off / 86400)} days`;
    say("off", off > 5 ? `The clock of this device is ${by} ${offset > 0 ? "slow" : "fast"}; the times here are corrected.` : "");
  };

  // What somebody is just holding or filling in stays as it is until they have done so.
  const busy = (part) => part.querySelector(".holding, .sure:not([hidden])")
    || (part.contains(document.activeElement) && document.activeElement.matches("input, select"));
  const drawn = new Map();
  const parts = (root) => root.querySelectorAll("[data-part]");
  parts(page).forEach((part) => drawn.set(part.dataset.part, part.outerHTML));
  const redraw = (text) => {
    let whole = true;
    const focus = document.activeElement?.id;
    parts(new DOMParser().parseFromString(text, "text/html")).forEach((fresh) => {
      const name = fresh.dataset.part, old = page.querySelector(`[data-part="${name}"]`);
      if (drawn.get(name) === fresh.outerHTML) return;
      if (busy(old)) { whole = false; return; }
      drawn.set(name, fresh.outerHTML);
      each("details[id]", (e) => { e.open = id(e.id)?.open ?? false; }, fresh);
      old.replaceWith(document.importNode(fresh, true));
    });
    if (focus && document.activeElement === document.body) id(focus)?.focus();
    const told = page.querySelector("[data-seq]");
    if (told && now() < told.dataset.turn) hooks.alarm(`told ${told.dataset.seq}`);
    hooks.redrawn();
    return whole;
  };

  const heard = (body, middle) => {
    offset = body.at_ms - middle;
    heardAt = body.at_ms;
    lost = false;
    closed = "";
    save("offset", offset);
    if (body.html) {
      save("last", body);
      stamp = redraw(body.html) ? body.stamp : "";
    } else save("last", { ...load("last", {}), at_ms: body.at_ms });
    tick();
  };
  const ask = async (address, more) => {
    const sent = Date.now();
    const answer = await fetch(address, {
      ...more, cache: "no-store", headers: { Accept: "application/json" }, signal: AbortSignal.timeout(8000),
    });
    const body = await answer.json().catch(() => ({}));
    // An answer that was cut off on its way says nothing; what was asked is asked again.
    if (answer.ok && !body.at_ms) throw new TypeError("the answer was cut off");
    if (answer.ok) heard(body, (sent + Date.now()) / 2);
    else lost = true;
    if (answer.status === 401) closed = "Signed out: load this page again to sign in. Nothing new";
    else if (answer.status === 404 || answer.status === 410) closed = `${body.detail ?? "The page is closed."} Nothing new`;
    return { answer, body };
  };
  const look = async () => {
    try {
      await hooks.before();
      await ask(`${own.now}?have=${stamp}`);
    } catch { lost = true; }
    tick();
  };
  // What this phone guessed is drawn anew with the next answer.
  const forget = () => { stamp = ""; drawn.clear(); };

  // After all scripts of the page have run.
  addEventListener("DOMContentLoaded", () => {
    const last = load("last", null);
    if (kept && last?.html && last.at_ms > own.at) { heardAt = last.at_ms; redraw(last.html); } else hooks.redrawn();
    tick();
    look();
    setInterval(tick, 250);
    setInterval(look, 12000);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
    addEventListener("online", look);
    addEventListener("offline", () => { lost = true; tick(); });
  });
  return { page, own, kept, hooks, id, each, load, save, now, z, write, say, tick, ask, look, forget };
})();
