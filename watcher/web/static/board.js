// Keeps an open board true: fetches the rows that changed, marks them, and says loudly when it can no longer do so.
"use strict";
(() => {
  const board = document.getElementById("board");
  if (!board) return;
  const byId = (id) => document.getElementById(id);
  const head = () => byId("head");
  const found = () => byId("found");
  const CHANGED_MS = 120_000;
  const TOGETHER_MS = 200;
  const LATE_NEWS_S = 90 * 60;
  const GIVE_UP_MS = 12_000;
  const ALL_EVERY_MIN = 5;

  // ---- Time: that of the service, carried on by a clock that nobody sets.
  let servedAt = Number(head().dataset.now);
  let shownAt = performance.now();
  const nowS = () => servedAt + (performance.now() - shownAt) / 1000;
  const two = (number) => String(number).padStart(2, "0");
  const clockZ = (seconds) => {
    const at = new Date(seconds * 1000);
    return `${two(at.getUTCHours())}${two(at.getUTCMinutes())}Z`;
  };
  const lasting = (seconds) => {
    const minutes = Math.max(0, Math.floor(seconds / 60));
    if (minutes < 60) return minutes ? `${minutes} min` : "0 s";
    const hours = Math.floor(minutes / 60);
    if (hours < 48) return minutes % 60 ? `${hours} h ${two(minutes % 60)} min` : `${hours} h`;
    return hours % 24 ? `${Math.floor(hours / 24)} d ${hours % 24} h` : `${Math.floor(hours / 24)} d`;
  };
  const write = (element, words) => {
    if (element && element.textContent !== words) element.textContent = words;
  };
  const age = () => {
    const now = nowS();
    write(head().querySelector("[data-clock]"), clockZ(now));
    const local = new Date(now * 1000);
    write(head().querySelector("[data-local]"), `${two(local.getHours())}:${two(local.getMinutes())} here`);
    const newest = head().querySelector("[data-newest]");
    if (newest?.dataset.newest) {
      const old = now - Number(newest.dataset.newest);
      write(newest, `newest report ${lasting(old)} old`);
      newest.classList.toggle("late", old > LATE_NEWS_S);
    }
    write(found().querySelector(".axis .y"), `now ${clockZ(now)}`);
    for (const row of document.querySelectorAll(".row[data-at]")) {
      const told = row.querySelector(".age");
      const old = now - Number(row.dataset.at);
      write(told, `${lasting(old)} old`);
      told.classList.toggle("late", old >= Number(row.dataset.late));
    }
  };

  // ---- What is true no longer is said, never left to be guessed.
  let lostSince = null;
  const say = () => {
    const line = byId("lost");
    line.hidden = lostSince === null;
    if (lostSince !== null) write(line.querySelector("[data-lost]"), clockZ(lostSince));
    byId("pulse").hidden = lostSince !== null;
  };
  const lost = () => {
    lostSince ??= nowS();
    say();
  };
  const heard = () => {
    if (lostSince === null) {
      say();
      return;
    }
    lostSince = null;
    say();
    want("all");
  };

  // ---- Fetching: one request for all that changed within a moment.
  // Whose alert was told comes first; a reader must not wait until all that reported at this minute is drawn.
  const AT_ONCE = 40;
  const urgent = new Set();
  const wanted = new Set();
  let mark = head().dataset.mark;
  let waiting = null;
  let busy = false;
  const want = (...codes) => {
    for (const code of codes) wanted.add(code);
    if (!busy) waiting ??= setTimeout(fetchWanted, TOGETHER_MS);
  };
  const fetchWanted = async () => {
    waiting = null;
    busy = true;
    const some = urgent.size ? [...urgent] : wanted.has("all") ? ["all"] : [...wanted].slice(0, AT_ONCE);
    urgent.clear();
    if (some[0] === "all") wanted.clear();
    else for (const code of some) wanted.delete(code);
    const codes = some.join(" ");
    const query = found().dataset.query;
    try {
      const address = `${board.dataset.rows}?${query}${query && "&"}codes=${encodeURIComponent(codes)}`;
      const answer = await fetch(address, { signal: AbortSignal.timeout(GIVE_UP_MS) });
      if (answer.redirected || answer.status === 401 || answer.status === 403) {
        byId("away").hidden = false;
        return;
      }
      if (!answer.ok) throw new Error(String(answer.status));
      const made = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (query === found().dataset.query) {
        put(made);
      } else {
        want(...codes.split(" ").filter(Boolean));
      }
      if (stream.readyState === EventSource.OPEN) heard();
    } catch {
      lost();
      wanted.add("all");
    } finally {
      busy = false;
      if (wanted.size || urgent.size) waiting ??= setTimeout(fetchWanted, lostSince === null ? 0 : 5000);
    }
  };

  // ---- Putting in place: rows move without taking the reader's place or focus along.
  const marked = new Map();
  const markChanged = (row) => {
    clearTimeout(marked.get(row.id));
    row.classList.add("changed");
    marked.set(row.id, setTimeout(() => {
      byId(row.id)?.classList.remove("changed");
      marked.delete(row.id);
    }, CHANGED_MS));
  };
  const told = (row) => [...row.querySelectorAll("h2, .temps, .says")].map((part) => part.textContent).join("|");
  const put = (made) => {
    const newHead = made.getElementById("head");
    const newFound = made.getElementById("found");
    if (!newHead || !newFound) throw new Error("no board");
    const rows = byId("rows");
    const held = document.activeElement?.closest?.(".row") ?? (window.scrollY > 0 ? firstSeen() : null);
    const heldId = held?.id;
    const heldTop = held?.getBoundingClientRect().top;
    const focused = document.activeElement?.closest?.(".row") ? document.activeElement.getAttribute("href") : null;

    const fresh = new Map([...newFound.querySelectorAll(".row")].map((row) => [row.id, row]));
    const order = newFound.dataset.order.split(" ").filter(Boolean).map((code) => `s-${code}`);
    const inOrder = new Set(order);
    for (const row of [...rows.children]) if (!inOrder.has(row.id)) row.remove();
    let before = rows.firstElementChild;
    const missing = [];
    for (const id of order) {
      let row = byId(id);
      const other = fresh.get(id);
      if (other) {
        const is = document.importNode(other, true);
        const differs = !row || told(row) !== told(is);
        if (row) {
          if (before === row) before = is;
          row.replaceWith(is);
        }
        row = is;
        if (differs) markChanged(row);
        else if (marked.has(id)) row.classList.add("changed");
      }
      if (!row) {
        missing.push(id.slice(2));
        continue;
      }
      if (row === before) before = row.nextElementSibling;
      else rows.insertBefore(row, before);
    }
    for (const name of [".how-many", ".left", ".empty"]) exchange(found(), newFound, name);
    // Every strip uses what stands in the axis, so that it is exchanged only where it differs.
    if (found().dataset.step !== newFound.dataset.step) exchange(found(), newFound, ".axis");
    found().dataset.step = newFound.dataset.step;
    const changes = byId("changes");
    if (changes && changes.textContent !== newFound.querySelector("#changes").textContent) {
      const open = changes.open;
      exchange(found(), newFound, "#changes");
      byId("changes").open = open;
    }
    found().dataset.order = newFound.dataset.order;
    const inHead = head().contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    head().replaceWith(document.importNode(newHead, true));
    if (inHead) head().querySelector(`a[href="${CSS.escape(inHead)}"]`)?.focus({ preventScroll: true });
    servedAt = Number(head().dataset.now);
    shownAt = performance.now();
    mark = head().dataset.mark;
    say();
    age();
    const again = heldId ? byId(heldId) : null;
    if (again && focused) [...again.querySelectorAll("a")].find((link) => link.getAttribute("href") === focused)?.focus({ preventScroll: true });
    if (again && window.scrollY > 0) window.scrollBy(0, again.getBoundingClientRect().top - heldTop);
    if (missing.length) want(...missing);
  };
  const exchange = (here, there, name) => {
    const old = here.querySelector(name);
    const other = there.querySelector(name);
    if (old && other) old.replaceWith(document.importNode(other, true));
    else if (old) old.remove();
    else if (other) here.append(document.importNode(other, true));
  };
  const firstSeen = () => [...byId("rows").children].find((row) => row.getBoundingClientRect().top >= 60);

  // ---- Hearing.
  let stream;
  const RISING = new Set(["icing.episode.opened", "icing.episode.raised", "icing.episode.confirmed"]);
  const listen = () => {
    stream = new EventSource(`${board.dataset.live}?since=${encodeURIComponent(mark)}`);
    stream.onopen = heard;
    stream.onerror = () => {
      lost();
      if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
    };
    stream.addEventListener("stations", (event) => {
      mark = event.lastEventId || mark;
      want(...event.data.split(" "));
    });
    stream.addEventListener("refresh", (event) => {
      mark = event.lastEventId || mark;
      want("all");
    });
    stream.addEventListener("alert", (event) => {
      mark = event.lastEventId || mark;
      const alert = JSON.parse(event.data);
      write(byId("news"), alert.headline);
      if (alert.station) {
        urgent.add(alert.station);
        want(alert.station);
      }
      if (RISING.has(alert.type) && (alert.level === "treat" || alert.level === "no-time")) sound();
    });
  };

  // ---- A sound, where somebody asked for it: a browser plays none before a press.
  let speaker = null;
  const button = byId("sound");
  const sound = () => {
    if (!speaker) return;
    for (const [after, pitch] of [[0, 660], [0.22, 880]]) {
      const tone = speaker.createOscillator();
      const volume = speaker.createGain();
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0.2, speaker.currentTime + after);
      volume.gain.exponentialRampToValueAtTime(0.001, speaker.currentTime + after + 0.2);
      tone.connect(volume).connect(speaker.destination);
      tone.start(speaker.currentTime + after);
      tone.stop(speaker.currentTime + after + 0.2);
    }
  };
  if (button && window.AudioContext) {
    button.hidden = false;
    button.title = "Sounds when an alert rises to treat or no-time";
    button.addEventListener("click", () => {
      if (speaker) {
        speaker.close();
        speaker = null;
      } else {
        speaker = new AudioContext();
        sound();
      }
      button.setAttribute("aria-pressed", String(speaker !== null));
      write(button, speaker ? "Sound on" : "Sound off");
    });
  }

  // ---- Keys. Single letters can be switched off (WCAG 2.2, success criterion 2.1.4).
  const keys = byId("keys");
  const single = byId("single");
  const STORED = "hoarline.single-keys";
  if (keys) {
    keys.hidden = false;
    single.checked = localStorage.getItem(STORED) !== "off";
    single.addEventListener("change", () => localStorage.setItem(STORED, single.checked ? "on" : "off"));
    byId("sift").classList.add("lives");
  }
  const step = (by) => {
    const links = [...document.querySelectorAll(".row h2 a")];
    const here = links.indexOf(document.activeElement?.closest?.(".row")?.querySelector("h2 a"));
    const next = here < 0 ? (by > 0 ? 0 : links.length - 1) : Math.min(Math.max(here + by, 0), links.length - 1);
    links[next]?.focus();
    links[next]?.closest(".row").scrollIntoView({ block: "nearest" });
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape" && keys?.open) {
      keys.open = false;
      keys.querySelector("summary").focus();
      return;
    }
    if (event.target.closest("input, select, textarea")) return;
    const inRow = Boolean(event.target.closest(".row"));
    const letters = Boolean(single?.checked);
    const by = { j: letters && 1, k: letters && -1, ArrowDown: inRow && 1, ArrowUp: inRow && -1 }[event.key];
    if (by) step(by);
    else if (letters && event.key === "/") byId("search").focus();
    else if (letters && event.key === "?") {
      keys.open = !keys.open;
      if (keys.open) keys.querySelector("summary").focus();
    } else return;
    event.preventDefault();
  });

  // ---- Going on.
  document.addEventListener("htmx:after:swap", () => {
    age();
    for (const id of marked.keys()) byId(id)?.classList.add("changed");
  });
  let minutes = 0;
  setInterval(() => {
    minutes += 1;
    age();
    want(...(minutes % ALL_EVERY_MIN ? [] : ["all"]));
  }, 60_000);
  setInterval(age, 10_000);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) want("all");
  });
  age();
  listen();
})();
