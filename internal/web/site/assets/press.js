// thawtrail: nothing pressed or typed is lost while the program on the laptop is gone,
// asleep or beginning anew. A press is kept in this browser before it is sent, and sent
// with its own time until it is answered; its request id makes it one record.
"use strict";
(() => {
  const { $, all, say, now, renew, silent, leave } = window.thawtrail;
  const MOST = 100; // presses that are kept: a night has fewer
  const HINT_MS = 1500, WAIT_MS = 15000, AGAIN_MS = 3000, PROBE_MS = 2500, OLD_MS = 12 * 3600e3;
  const json = text => { try { return JSON.parse(text); } catch { return null; } };

  // What is kept, for all tabs. A browser that lets nothing be kept has the page's memory.
  // A rehearsal has its own: an address of its pages may be that of real ones later.
  let memory = [];
  const KEPT = document.body.classList.contains("rehearsal") ? "thawtrail.rehearsal" : "thawtrail.kept";
  const kept = () => { try { return json(localStorage.getItem(KEPT)) || memory; } catch { return memory; } };
  const keep = presses => {
    memory = presses.slice(-MOST);
    try { localStorage.setItem(KEPT, JSON.stringify(memory)); } catch { /* the memory has them */ }
    show();
  };
  const change = (id, by) => keep(kept().map(p => p.id === id ? { ...p, ...by } : p));
  const drop = id => keep(kept().filter(p => p.id !== id));
  const newID = () => "page-" + [...crypto.getRandomValues(new Uint8Array(12))].map(b => b.toString(16).padStart(2, "0")).join("");
  const clock = at => {
    const as = { hour: "2-digit", minute: "2-digit", hour12: false };
    try { return new Date(at).toLocaleTimeString("en-GB", { ...as, timeZone: document.body.dataset.zone }); } catch { return new Date(at).toLocaleTimeString("en-GB", as); }
  };

  // A form in words: its button, and what was typed under which label.
  const bare = e => { const c = e.cloneNode(true); all("kbd,.must,.beside,input,select", c).forEach(x => x.remove()); return c.textContent.replace(/\s+/g, " ").trim(); };
  const typed = f => [...f.elements].filter(i => i.name && i.matches("input:not([type=hidden], [type=password], [type=file]), select, textarea"));
  const worded = i => {
    const choice = i.closest("label.choice"), group = i.closest("fieldset");
    if (choice) return i.checked ? [group && bare($("legend", group)), bare(choice)].filter(Boolean).join(" ") : "";
    const value = i.value && i.selectedOptions ? i.selectedOptions[0].text : i.value;
    return value && [i.labels[0] && bare(i.labels[0]), value].filter(Boolean).join(" ");
  };
  const describe = (f, by) => [by && bare(by), typed(f).map(worded).filter(Boolean).join("; ")].filter(Boolean).join(": ").slice(0, 300);

  // The box that says what is kept. It stays in sight, above the patient.
  const make = (tag, of) => Object.assign(document.createElement(tag), of);
  const box = make("section", { className: "kept", hidden: true }), quiet = new Set(); // what is on its way, and not late yet
  box.setAttribute("aria-label", say("kept"));
  document.body.prepend(box);
  let note = "";
  const line = (text, cls) => make("p", { textContent: text, className: cls || "" });
  const row = p => {
    const l = make("li", { textContent: clock(p.at) + " " + p.what });
    if (refused(p)) l.append(" ", make("button", { type: "button", textContent: say("kept_open"), onclick: () => reopen(p) }));
    return l;
  };
  const refused = p => p.code && p.code !== 423; // 423: the page is locked, and it waits
  const show = () => {
    const open = kept().filter(p => !quiet.has(p.id)), hand = open.filter(p => p.kind && !p.code).pop();
    const lost = open.some(refused), locked = open.some(p => p.code);
    const status = make("div"), fold = make("details", { open: lost }), head = make("summary"), list = make("ul");
    status.setAttribute("role", "status");
    if (note) status.append(line(note));
    if (hand) head.append(make("strong", { textContent: hand.kind === "treat" ? say("treat_by_hand") : say("clamp_by_hand") }), " ");
    head.append(say(lost ? "kept_refused" : locked ? "kept_locked" : "kept_row", open.length));
    list.append(...open.map(row));
    fold.append(head, list);
    if (open.length) status.append(fold);
    box.replaceChildren(status);
    box.hidden = !open.length && !note;
    document.documentElement.style.setProperty("--kept", box.hidden ? "0px" : box.offsetHeight + "px");
  };
  const tell = text => { note = text; show(); };

  // Nothing comes back when nobody answers.
  const ask = async (to, how, patience) => {
    const stop = new AbortController(), end = setTimeout(() => stop.abort(), patience);
    try { return await fetch(to, { credentials: "same-origin", redirect: "error", signal: stop.signal, ...how }); } catch { return null; } finally { clearTimeout(end); }
  };
  const send = async p => {
    const body = new URLSearchParams(p.body);
    if (p.late) body.set("pressed_at", Math.round(p.at));
    const r = await ask(p.to, { method: "POST", headers: { "X-Press": "1" }, body }, WAIT_MS);
    return r && { to: r.headers.get("X-To"), code: r.status };
  };
  const go = to => {
    const there = new URL(to, location.href), same = there.pathname + there.search === location.pathname + location.search;
    leave(true);
    location.assign(same ? location.pathname + location.search : there);
  };
  // The browser itself sends it: the answer is a page.
  const natively = (f, by) => { f.dataset.goes = "1"; busy(f, false); f.requestSubmit(by || undefined); };
  const busy = (f, on) => all("button", f).forEach(b => { b.disabled = on; });
  const hidden = (f, name, value) => f.append(make("input", { type: "hidden", name, value }));
  const reopen = p => {
    const f = make("form", { method: "post", action: p.to, hidden: true });
    for (const [name, value] of new URLSearchParams(p.body)) hidden(f, name, value);
    hidden(f, "pressed_at", Math.round(p.at));
    document.body.append(f); drop(p.id); natively(f);
  };

  // A press of a form that makes records.
  const press = async (f, by) => {
    const body = new URLSearchParams(new FormData(f, by)), id = body.get("request_id") || newID();
    body.delete("pin"); // a proof is not kept
    body.set("request_id", id);
    if (!body.has("said_by") && document.body.dataset.who) body.set("pressed_by", document.body.dataset.who);
    const p = { id, to: f.action, body: String(body), at: now(), what: describe(f, by), kind: f.dataset.press, late: silent(), until: Date.now() + WAIT_MS };
    quiet.add(id); keep([...kept().filter(o => o.id !== id), p]);
    leave(true); setTimeout(() => busy(f, true));
    const hint = setTimeout(() => { quiet.delete(id); show(); }, silent() ? 0 : HINT_MS);
    const answer = await send({ ...p, body: String(new URLSearchParams([...body, ...pinOf(f)])) });
    clearTimeout(hint); quiet.delete(id);
    if (answer && answer.to) { drop(id); go(answer.to); return; }
    leave(false);
    if (answer) { drop(id); if (!f.elements.request_id) hidden(f, "request_id", id); natively(f, by); return; }
    change(id, { until: 0, late: true });
    settle(f, p);
  };
  const pinOf = f => f.elements.pin && f.elements.pin.value ? [["pin", f.elements.pin.value]] : [];
  // The page goes on: the form is empty again, and its next press is another record.
  const settle = (f, p) => {
    busy(f, false); f.reset();
    if (f.elements.request_id) f.elements.request_id.value = newID();
    if (p.kind === "treat") readTreat(f.action);
    box.scrollIntoView({ block: "nearest" });
    again();
  };

  // What is kept is sent when the program answers: in order, once.
  let flushing = false, timer = 0;
  const open = p => (!p.code) && !quiet.has(p.id) && !(p.until > Date.now());
  const again = () => { clearTimeout(timer); if (kept().some(p => !p.code)) timer = setTimeout(flush, AGAIN_MS); };
  const flush = async () => {
    if (flushing) return;
    flushing = true;
    let sent = 0;
    for (const p of kept().filter(open)) {
      const answer = await send({ ...p, late: true });
      if (!answer) break;
      if (answer.to) { drop(p.id); sent++; } else change(p.id, { code: answer.code });
    }
    flushing = false;
    if (sent) arrived(sent); else again();
  };
  const arrived = n => {
    if (treating) { go(treating); return; }
    if (all("form").some(changed)) { tell(say("kept_sent", n)); renew(); again(); return; }
    keepTyping(true); leave(true); location.replace(location.pathname + location.search);
  };

  // Every form. A search, or one that makes no record, waits with its page.
  addEventListener("submit", e => {
    const f = e.target, by = e.submitter;
    if (f.dataset.goes) { leave(true); return; }
    if (f.method !== "post") {
      if (silent()) { e.preventDefault(); visit(f.action.split("?")[0] + "?" + new URLSearchParams(new FormData(f, by))); }
    } else if (f.elements.request_id || f.dataset.press) { e.preventDefault(); press(f, by); }
    else if (silent()) { e.preventDefault(); tell(say("away")); }
    else { leave(true); setTimeout(() => busy(f, true)); }
  });
  addEventListener("pageshow", () => { leave(false); all("form[method=post]").forEach(f => busy(f, false)); });
  // A link leads away only to a page that comes.
  const visit = async to => {
    const r = await ask(to, { method: "HEAD", headers: { "X-Live": "1" }, redirect: "follow" }, PROBE_MS);
    if (r) go(to); else tell(say("away"));
  };
  addEventListener("click", e => {
    const a = e.target.closest && e.target.closest("a[href]");
    if (!a || !silent() || a.origin !== location.origin || a.target || a.hasAttribute("download") || e.ctrlKey || e.metaKey || a.getAttribute("href")[0] === "#") return;
    e.preventDefault();
    if (a.matches(".slower")) tell(say("slower_by_hand")); else visit(a.href);
  });

  // 'Stop and treat' has its page, card and all, also when nobody answers: a copy is
  // fetched while there is somebody.
  let treating = "";
  const copies = () => { try { return json(sessionStorage.getItem("thawtrail.treat")) || {}; } catch { return {}; } };
  const copyTreat = async () => {
    for (const to of new Set(all("form[data-press=treat]").map(f => f.action))) {
      const c = copies()[to], r = c && now() - c.at < 60000 ? null : await ask(to, { headers: { "X-Live": "1" } }, WAIT_MS);
      const main = r && r.ok && $("main", new DOMParser().parseFromString(await r.text(), "text/html"));
      if (main) try { sessionStorage.setItem("thawtrail.treat", JSON.stringify({ ...copies(), [to]: { at: now(), main: main.innerHTML } })); } catch { /* the page goes on without */ }
    }
  };
  const readTreat = to => {
    const c = copies()[to];
    if (!c) return;
    treating = to; $("main").innerHTML = c.main; scrollTo(0, 0);
    for (const f of all("form", $("main"))) if (!f.hasAttribute("action")) f.setAttribute("action", to);
  };
  if ($("form[data-press=treat]")) setTimeout(copyTreat, 1000);

  // What is typed outlives a page that was locked, held or loaded again meanwhile. It
  // comes back with its time: it may not be of now.
  const changed = f => typed(f).some(differs);
  const differs = i => i.type === "checkbox" || i.type === "radio" ? i.checked !== i.defaultChecked
    : i.options ? i.selectedIndex !== Math.max(0, [...i.options].findIndex(o => o.defaultSelected)) : i.value !== i.defaultValue;
  const place = "thawtrail.typed:" + location.pathname;
  const records = () => all("form[method=post]").filter(f => f.elements.request_id || f.hasAttribute("data-keeps"));
  const keepTyping = byProgram => {
    const fields = records().flatMap((f, n) => typed(f).map((i, k) => [n, k, i.name, i.value, i.checked, differs(i)])).filter(t => t[5]);
    try { if (fields.length) sessionStorage.setItem(place, JSON.stringify({ at: now(), byProgram, fields })); } catch { /* nothing to keep it in */ }
  };
  const typeAgain = () => {
    let was = null;
    try { was = json(sessionStorage.getItem(place)); sessionStorage.removeItem(place); } catch { return; }
    const how = (performance.getEntriesByType("navigation")[0] || {}).type;
    if (!was || now() - was.at > OLD_MS || $(".refused") || !(was.byProgram || how === "reload" || document.wasDiscarded)) return;
    const forms = new Set();
    for (const [n, k, name, value, checked] of was.fields) {
      const f = records()[n], i = f && typed(f)[k];
      if (!i || i.name !== name || differs(i)) continue;
      if (i.type === "checkbox" || i.type === "radio") i.checked = checked; else i.value = value;
      i.dispatchEvent(new Event("input", { bubbles: true })); forms.add(f);
    }
    for (const f of forms) {
      const l = line(say("typed_back", clock(was.at)) + " ", "hint");
      l.setAttribute("role", "status");
      l.append(make("button", { type: "button", textContent: say("typed_clear"), onclick: () => { f.reset(); l.remove(); } }));
      f.prepend(l);
    }
  };
  addEventListener("pagehide", () => { if (!leave()) keepTyping(false); });
  window.thawtrail.keepTyping = keepTyping;
  window.thawtrail.flush = flush;

  typeAgain();
  keep(kept().map(p => p.code === 423 ? { ...p, code: 0 } : p));
  flush();
  const first = $("[autofocus]");
  if (first) { first.focus(); first.scrollIntoView({ block: "center" }); }
})();
