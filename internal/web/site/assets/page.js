// thawtrail: the little that a page needs to be alive. Pages work without it.
"use strict";
(() => {
  const $ = (s, in_ = document) => in_.querySelector(s), all = (s, in_ = document) => [...in_.querySelectorAll(s)];
  // What it says stands in the catalogue, and comes with the page.
  const words = JSON.parse($("#words").textContent);
  const say = (key, ...values) => words[key].replace(/\{(\d)\}/g, (_, n) => values[n - 1]);
  // All times are the program's: its clock is read with every answer, and each
  // tick asks the wall clock anew, so sleep and reload leave them true.
  let offset = Number(document.body.dataset.now) - Date.now();
  const now = () => Date.now() + offset;
  const two = n => String(n).padStart(2, "0");
  const span = ms => {
    const s = Math.floor(Math.abs(ms) / 1000), h = Math.floor(s / 3600), m = Math.floor(s / 60);
    return h > 48 ? say("days", Math.floor(h / 24)) : h > 0 ? say("hours", h, two(m % 60)) : m > 1 ? say("minutes", m) : say("seconds", s);
  };
  const rung = new Set();
  const tick = () => {
    const due = [];
    let passed = false;
    for (const t of all("time[data-since]")) t.textContent = span(now() - t.dataset.since);
    for (const t of all("time[data-until]")) {
      const left = t.dataset.until - now();
      if (!t.title) t.title = t.textContent;
      t.textContent = Math.abs(left) < 1000 ? say("moment") : say(left >= 0 ? "until" : "since", span(left));
      t.classList.toggle("late", left < 0);
      if (left >= 0) t.dataset.ahead = "1"; else if (t.dataset.ahead) { delete t.dataset.ahead; passed = true; }
      if (left < 0 && t.dataset.alarm) due.push([t.dataset.alarm + t.dataset.until, t.dataset.alarm]);
    }
    alarm(due);
    if (passed) renew(); // what may be done from this moment on shows without a press
  };
  // The alarm: seen always, heard when the sound was let on by a press.
  let audio = null, quiet = new Set();
  const beep = () => {
    if (!audio) return false;
    for (const [at, f] of [[0, 880], [.25, 660], [.5, 880]]) {
      const o = audio.createOscillator(), g = audio.createGain();
      o.frequency.value = f; o.type = "square"; g.gain.value = .25;
      o.connect(g).connect(audio.destination); o.start(audio.currentTime + at); o.stop(audio.currentTime + at + .18);
    }
    return true;
  };
  const soundOn = () => { audio = audio || new (window.AudioContext || window.webkitAudioContext)(); audio.resume(); return beep(); };
  let lastBeep = 0;
  const alarm = due => {
    const box = $("#alarm");
    if (!box) return;
    const open = due.filter(([k]) => !quiet.has(k));
    const text = open.map(([, what]) => what).join(". ");
    if (!open.length) { box.hidden = true; box.dataset.text = ""; return; }
    if (box.dataset.text !== text) {
      box.dataset.text = text; box.textContent = text + ". ";
      const b = document.createElement("button");
      b.type = "button"; b.textContent = say("heard");
      b.onclick = () => { open.forEach(([k]) => quiet.add(k)); box.hidden = true; };
      box.append(b); box.hidden = false;
    }
    if (Date.now() - lastBeep > 15000) { lastBeep = Date.now(); beep(); }
  };
  const tested = () => { const s = $("#sound-said"); if (s) s.textContent = say(audio ? "tested" : "untested"); };
  for (const b of [...all("#sound"), ...all("[data-sound]")]) { b.hidden = false; b.onclick = () => { soundOn(); tested(); }; }
  tested();
  // Any press lets sound on, as browsers ask for.
  addEventListener("pointerdown", () => { if (!audio && window.AudioContext) { audio = new AudioContext(); } }, { once: true });

  // A button that is replaced between the press and the release is never pressed: what
  // changes the page waits for the finger.
  const HELD_MS = 10000; // a release outside the window may never be told
  let held = null, letGo = () => {};
  addEventListener("pointerdown", () => {
    letGo();
    held = new Promise(done => { letGo = done; setTimeout(done, HELD_MS); });
  }, true);
  for (const kind of ["pointerup", "pointercancel"]) addEventListener(kind, () => setTimeout(letGo), true); // the click comes first

  // What press.js does beside: it keeps what is pressed and typed while nobody answers.
  const more = window.thawtrail = { $, all, say, now, released: () => held, keepTyping: () => {}, flush: () => {} };
  more.renew = () => renew();
  more.leave = on => on === undefined ? leaving : leaving = on;
  // Nothing was heard for more than two beats of the stream: the laptop sleeps, or is out
  // of reach.
  let heard = Date.now(), lost = false;
  more.silent = () => lost || Date.now() - heard > 45000;
  // Live parts are fetched again when something was saved.
  let fetching = false, again = false, leaving = false; // a form is on its way: a reload now would hide its answer
  const reload = to => { more.keepTyping(true); leaving = true; location.replace(to || location.pathname + location.search); };
  const renew = async () => {
    if (leaving) return;
    if (fetching) { again = true; return; }
    fetching = true;
    try {
      const r = await fetch(location.href, { headers: { "X-Live": "1" }, credentials: "same-origin" });
      const text = r.ok ? await r.text() : "";
      await held;
      if (!text || leaving) return;
      const page = new DOMParser().parseFromString(text, "text/html");
      offset = Number(page.body.dataset.now) - Date.now();
      // A page that was locked or opened meanwhile, in whatever tab, is another
      // one: load it. So is a hold that takes the screen, changes or ends. What is
      // typed comes back with the page.
      if (page.body.hasAttribute("data-locked") !== document.body.hasAttribute("data-locked")) { reload(r.redirected && r.url); return; }
      const hold = p => { const t = $(".takeover", p); return t ? t.innerHTML : ""; };
      if (hold(page) !== hold(document)) { reload(); return; }
      for (const part of all("[data-live]", page)) {
        const old = document.getElementById(part.id);
        if (old && old.innerHTML !== part.innerHTML && !old.contains(document.activeElement)) old.replaceWith(document.importNode(part, true));
        else if (!old && part.id === "seen") $("#alarm").before(document.importNode(part, true));
      }
      const chart = $("img.chart");
      if (chart && $("img.chart", page)) for (const [i, at] of [...all("source", chart.parentNode).map(i => [i, "srcset"]), [chart, "src"]]) {
        const u = new URL(i.getAttribute(at), location);
        u.searchParams.set("t", now());
        i.setAttribute(at, u.pathname + u.search);
      }
      tick();
    } finally { fetching = false; if (again) { again = false; renew(); } }
  };
  if (window.EventSource && $("main") && document.body.dataset.now) {
    const live = new EventSource("/live"), gone = $("#gone");
    const back = e => {
      offset = Number(e.data) - Date.now(); heard = Date.now();
      if (lost) { lost = false; more.flush(); }
      if (gone) gone.hidden = true;
      tick();
    };
    let first = true;
    // What was saved between the reading of this page and the hello was missed.
    live.addEventListener("hello", e => { back(e); if (!first || e.lastEventId !== document.body.dataset.changes) renew(); first = false; });
    // What runs is reckoned anew from time to time: the plan by now is no clock.
    live.addEventListener("beat", e => { back(e); if ($("[data-live] time[data-since]")) renew(); });
    live.addEventListener("wake", e => { back(e); renew(); });
    live.onerror = () => { lost = true; if (gone) gone.hidden = false; };
    addEventListener("pagehide", () => live.close());
    addEventListener("pageshow", e => { if (e.persisted) reload(); });
    document.addEventListener("visibilitychange", () => { if (!document.hidden) renew(); });
  }
  setInterval(tick, 1000); tick();

  // Typing keeps the page open, also while nothing is sent.
  let told = 0;
  const token = $("input[name=token]");
  const typing = () => {
    if (!token || document.body.hasAttribute("data-locked") || Date.now() - told < 60000) return;
    told = Date.now();
    fetch("/used", { method: "POST", body: new URLSearchParams({ token: token.value }), credentials: "same-origin" }).catch(() => {});
  };
  for (const kind of ["input", "keydown", "pointerdown"]) addEventListener(kind, typing);

  // Function keys work while typing too.
  addEventListener("keydown", e => {
    const hits = /^F\d+$/.test(e.key) && !e.repeat ? all(`[data-key="${e.key}"]`) : [];
    if (!hits.length) return;
    e.preventDefault();
    // Where two patients are on one page the key goes to the buttons in turn, and
    // Enter presses: nobody clamps the wrong one.
    if (hits.length === 1) hits[0].click(); else hits[(hits.indexOf(document.activeElement) + 1) % hits.length].focus();
  });
  // A scanner ends with Enter: go on to the next field, and compare.
  const bare = s => s.toUpperCase().replace(/[\s-]/g, "").replace(/O/g, "0").replace(/[IL]/g, "1");
  for (const i of all("[data-scan]")) {
    const said = i.closest(".field").querySelector(".match");
    const compare = () => {
      if (!said || !i.dataset.expect) return;
      const got = bare(i.value), same = got === bare(i.dataset.expect);
      said.textContent = got.length < 9 ? "" : same ? say("same_bag") : say("other_bag", i.dataset.expect);
      said.classList.toggle("no", got.length >= 9 && !same);
    };
    i.addEventListener("input", compare);
    i.addEventListener("keydown", e => {
      if (e.key !== "Enter") return;
      e.preventDefault();
      const fields = all("input:not([type=hidden]), select, textarea, button:not(.scan)", i.form), next = fields[fields.indexOf(i) + 1];
      if (next) next.focus();
    });
    compare();
  }
  // The camera reads a code too. What reads it comes when it is asked for.
  let scanner = null;
  const bring = src => scanner = scanner || new Promise((done, fail) => document.head.append(Object.assign(document.createElement("script"), { src, onload: done, onerror: fail })));
  for (const i of all("[data-camera]")) {
    const b = Object.assign(document.createElement("button"), { type: "button", className: "scan", textContent: say("camera") });
    b.onclick = () => bring($("#words").dataset.scanner).then(() => more.scan(i, b, $("#words").dataset.reader), () => { scanner = null; b.textContent = say("away"); });
    (i.closest(".box") || i).after(b);
  }
  // A typed time is said back with its day and zone, before it is sent.
  let asking = 0;
  addEventListener("input", e => {
    const i = e.target.closest("[data-when]");
    if (!i) return;
    clearTimeout(asking);
    asking = setTimeout(async () => {
      const r = i.value.trim() && await fetch("/when?" + new URLSearchParams({ field: i.dataset.when, text: i.value }), { headers: { "X-Live": "1" } }).catch(() => null);
      const text = r && r.ok && /^text.plain/.test(r.headers.get("Content-Type")) ? await r.text() : "";
      let said = i.closest(".field").querySelector(".match");
      if (!said) { said = document.createElement("p"); said.className = "match"; said.setAttribute("role", "status"); i.closest(".field").append(said); }
      said.textContent = text;
    }, 400);
  });
  // On paper nothing is folded; on the screen it is as it was again.
  let unfolded = [];
  addEventListener("beforeprint", () => { unfolded = all("details:not([open])"); for (const d of unfolded) d.open = true; });
  addEventListener("afterprint", () => { for (const d of unfolded) d.open = false; });
  for (const b of all("[data-print]")) b.onclick = () => print();

  // Drops against the clock: the rate from the first to the last of the taps.
  const tap = $("#tap");
  if (tap) {
    let taps = [];
    const per = $("#drops_per_ml"), dpm = $("#drops_per_min"), mlh = $("#ml_per_h"), said = $("#drop-said");
    const kg = Number(tap.closest("[data-kg]").dataset.kg) || 0;
    const reckon = () => {
      if (taps.length < 2) { said.textContent = say(taps.length ? "first_drop" : "no_drop"); return; }
      const min = (taps[taps.length - 1] - taps[0]) / 60000, drops = (taps.length - 1) / min;
      dpm.value = Math.round(drops);
      const f = Number(per.value.replace(",", "."));
      let text = say("drops", taps.length, Math.round(min * 60), Math.round(drops));
      if (f > 0) { mlh.value = Math.round(drops * 60 / f); text += " " + say("drops_rate", mlh.value); if (kg) text += say("drops_per_kg", (drops * 60 / f / kg).toFixed(1)); } else text += say("drops_factor");
      said.textContent = text + (taps.length < 10 ? " " + say("drops_more") : "");
    };
    tap.addEventListener("pointerdown", e => { e.preventDefault(); tap.focus(); taps.push(performance.now()); reckon(); });
    tap.addEventListener("keydown", e => { if ((e.key === " " || e.key === "Enter") && !e.repeat) { e.preventDefault(); taps.push(performance.now()); reckon(); } });
    $("#tap-clear").onclick = () => { taps = []; dpm.value = mlh.value = ""; reckon(); tap.focus(); };
    per.addEventListener("input", reckon);
    dpm.addEventListener("input", () => { const f = Number(per.value.replace(",", ".")), d = Number(dpm.value.replace(",", ".")); if (f > 0 && d > 0) mlh.value = Math.round(d * 60 / f); });
  }
})();
