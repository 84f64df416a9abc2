// What a phone does for the page of a treated aircraft: it shakes and sounds on a change, keeps its screen on, and keeps
// the page for a reload without connection. Each where it can, and each only as far as somebody wants it.
(() => {
  "use strict";
  if (!window.protection) return;
  const { own, kept, hooks, id, load, save, write } = window.protection;

  let sound = null;
  const beep = (after) => {
    const tone = sound.createOscillator();
    tone.frequency.value = 880;
    tone.connect(sound.destination);
    tone.start(sound.currentTime + after);
    tone.stop(sound.currentTime + after + 0.3);
  };
  // Once for each change, however often it is heard of.
  hooks.alarm = (what) => {
    if (load("alarm", "") === what) return;
    save("alarm", what);
    navigator.vibrate?.([400, 200, 400, 200, 800]);
    if (sound) [0, 0.5, 1].forEach(beep);
  };
  const loud = id("sound");
  if (loud && window.AudioContext) {
    loud.hidden = false;
    loud.addEventListener("click", () => {
      sound?.close();
      sound = sound ? null : new AudioContext();
      if (sound) beep(0);
      loud.setAttribute("aria-pressed", String(Boolean(sound)));
      write(loud, sound ? "Sound is on" : "Sound on a change");
    });
  }

  // Hiding the page ends the lock; showing it takes it again.
  const awake = id("awake");
  let wish = false, lock = null;
  const show = () => {
    awake.setAttribute("aria-pressed", String(wish));
    write(awake, !wish ? "Keep the screen on" : lock ? "Screen stays on" : "Screen may go off: this phone does not allow it now");
  };
  const take = async () => {
    try {
      await lock?.release();
      lock = wish && !document.hidden ? await navigator.wakeLock.request("screen") : null;
      lock?.addEventListener("release", () => { lock = null; show(); });
    } catch { lock = null; }
    show();
  };
  if (awake && navigator.wakeLock) {
    awake.hidden = false;
    awake.addEventListener("click", () => { wish = !wish; take(); });
    document.addEventListener("visibilitychange", () => { if (wish) take(); });
  }

  const keep = async () => {
    await navigator.serviceWorker.register(own.worker, { scope: own.scope });
    const { active } = await navigator.serviceWorker.getRegistration(own.scope);
    const found = active ? { active } : await navigator.serviceWorker.ready;
    const files = [...document.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src]")].map((e) => e.href || e.src);
    if (!kept) found.active.postMessage({ page: location.pathname, files });
  };
  // Without a worker, such as in a private window, everything else goes on; only a reload needs a connection then.
  if (own.worker && navigator.serviceWorker) keep().catch(() => {});
})();
