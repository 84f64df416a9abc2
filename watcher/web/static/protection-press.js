// Presses on the page of a treated aircraft. They wait in this phone, with their own time and an id, until the server has
// answered: so they can be made without connection, and telling them twice does no harm.
(() => {
  "use strict";
  if (!window.protection) return;
  const { page, own, hooks, each, load, save, now, z, write, say, tick, ask, look, forget } = window.protection;
  const waiting = () => load("queue", []);
  const list = () => {
    const untold = waiting().map((one) => `${one.said} ${z(one.at)}`);
    say("untold", untold.length ? `Not yet told: ${untold.join("; ")}` : "");
  };

  let telling = false;
  const tell = async () => {
    if (telling) return;
    telling = true;
    try {
      for (let one = waiting()[0]; one; one = waiting()[0]) {
        const body = new URLSearchParams({ ...one.fields, id: one.id, at: one.at, sure: "yes" });
        const told = await ask(own.press, { method: "POST", body });
        const { ok, status } = told.answer;
        if (!ok && (status >= 500 || [401, 403, 408, 429].includes(status))) return;
        save("queue", waiting().filter((other) => other.id !== one.id));
        if (ok) continue;
        say("refused", `Not taken: ${one.said} ${z(one.at)}. ${told.body.detail ?? ""}`);
        forget();
      }
    } finally { telling = false; list(); }
  };
  const press = (form) => {
    const fields = Object.fromEntries(new FormData(form));
    const random = [...crypto.getRandomValues(new Uint32Array(4))].map((part) => part.toString(36)).join("-");
    const one = { id: `phone-${random}`, at: Math.round(now()), said: form.dataset.said, fields };
    say("refused", "");
    navigator.vibrate?.(60);
    save("queue", [...waiting(), one]);
    guess(one);
    list();
    look();
  };

  // What a press will make of the page, until the server says so.
  const guesses = {
    step: ({ fields }) => {
      const step = page.querySelector(`.now[data-step="${CSS.escape(fields.step)}"]`);
      if (!step) return;
      step.className = "done kept";
      let next = step.nextElementSibling;
      while (next?.matches(".done")) next = next.nextElementSibling;
      if (next) next.className = "now";
    },
    treated: ({ at }) => {
      each('[data-part="treated"]', (part) => { part.hidden = true; });
      each(".wait.idle", (box) => {
        const end = Math.ceil((at + box.dataset.minutes * 60000) / 60000) * 60000;
        box.classList.remove("idle");
        box.dataset.turn = end;
        each("[data-wait]", (e) => { e.dataset.wait = end; }, box);
        each("[data-z]", (e) => write(e, z(end)), box);
      });
    },
    "took-off": () => each('[data-part="end"]', (part) => { part.hidden = true; }),
  };
  guesses.returned = guesses["took-off"];
  const guess = (one) => { guesses[one.fields.kind]?.(one); tick(); };
  hooks.before = tell;
  const whole = (open) => {
    page.classList.toggle("whole", open);
    each("#whole", (button) => { button.setAttribute("aria-pressed", String(open)); });
  };
  hooks.redrawn = () => { waiting().forEach(guess); list(); whole(page.classList.contains("whole")); };

  // What ends something is held for a second, or pressed and then confirmed: by touch, mouse, key or switch.
  let timer = 0, done = false;
  const letGo = () => { clearTimeout(timer); each(".holding", (form) => form.classList.remove("holding")); };
  const confirm = (form, open) => {
    const sure = form.querySelector(".sure");
    sure.hidden = !open;
    (open ? sure : form).querySelector("button").focus();
  };
  const close = (form) => {
    each(".sure", (sure) => { sure.hidden = true; }, form);
    form.closest("details")?.removeAttribute("open");
    document.activeElement?.blur();
  };
  const begin = (event) => {
    const form = event.target.closest?.("[data-hold]")?.form, key = event.type === "keydown";
    if (!form || event.button > 0 || (key && ![" ", "Enter"].includes(event.key))) return;
    if (key) event.preventDefault();
    if (event.repeat) return;
    done = false;
    form.classList.add("holding");
    timer = setTimeout(() => { done = true; letGo(); close(form); press(form); setTimeout(() => { done = false; }, 600); }, 1000);
  };
  page.addEventListener("pointerdown", begin);
  page.addEventListener("keydown", begin);
  page.addEventListener("keyup", (event) => {
    const form = event.target.closest?.(".holding");
    letGo();
    if (form) { event.preventDefault(); confirm(form, true); }
  });
  for (const name of ["pointerup", "pointercancel", "pointerout"]) page.addEventListener(name, letGo);
  page.addEventListener("contextmenu", (event) => { if (event.target.closest("[data-hold]")) event.preventDefault(); });
  page.addEventListener("click", (event) => {
    if (event.target.closest("[data-no]")) confirm(event.target.form, false);
    if (event.target.closest("#whole")) whole(!page.classList.contains("whole"));
  });
  page.addEventListener("submit", (event) => {
    const form = event.target;
    event.preventDefault();
    if (!event.submitter?.matches("[data-hold]")) { close(form); press(form); } else if (!done) confirm(form, true);
  });
})();
