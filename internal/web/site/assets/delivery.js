// thawtrail: the scans of a delivery. A scanner may be faster than the answers: scans wait
// in their order, and each is sent with the page that the one before it came to. They wait
// in this browser, so that a page that is loaded anew goes on with them. A scan that is sent
// twice counts once: what it counts in is the delivery that was sent with it.
"use strict";
(() => {
  const { $, all, say, leave, keepTyping, released } = window.thawtrail;
  const form = $("#form-delivery"), field = $("#code");
  const AGAIN_MS = 2000, WAIT_MS = 15000, PARTS = ["carry", "said", "asked", "head", "rows", "done"];
  const place = "thawtrail.scans:" + $("input[name=id]", form).value;
  // It has its room also when it says nothing: no button moves away under the finger.
  const waits = Object.assign(document.createElement("p"), { className: "hint", textContent: "\u00a0" });
  waits.setAttribute("role", "status");
  $("#delivery-said").before(waits);

  let queue = [], working = false, wanted = null;
  try { queue = JSON.parse(sessionStorage.getItem(place)) || []; } catch { /* nothing waits */ }
  const keep = () => { try { if (queue.length) sessionStorage.setItem(place, JSON.stringify(queue)); else sessionStorage.removeItem(place); } catch { /* the page has them */ } };
  const tell = late => { waits.textContent = queue.length > 1 || late && queue.length ? say(late ? "scans_late" : "scans_wait", queue.length) : "\u00a0"; };
  const add = code => { queue.push(code); keep(); tell(); work(); };

  // Nothing comes back when nobody answers.
  const send = async body => {
    const stop = new AbortController(), end = setTimeout(() => stop.abort(), WAIT_MS);
    try {
      const r = await fetch(form.getAttribute("action"), { method: "POST", body, credentials: "same-origin", signal: stop.signal });
      return r.status < 500 ? { at: r.url, form: $("#form-delivery", new DOMParser().parseFromString(await r.text(), "text/html")) } : null;
    } catch { return null; } finally { clearTimeout(end); }
  };
  const filled = () => { const f = new FormData(form); f.delete("file"); return new URLSearchParams(f); };
  const work = async () => {
    if (working) return;
    working = true;
    while (queue.length) {
      const sent = filled();
      sent.set("scan", queue[0]); sent.set("do", "scan");
      const answer = await send(sent);
      await released();
      if (!answer) { tell(true); await new Promise(r => setTimeout(r, AGAIN_MS)); continue; }
      // The page was locked, or is not this one's any more: it comes again, and its scans go on.
      if (!answer.form) { keepTyping(true); leave(true); location.reload(); return; }
      queue.shift(); keep();
      history.replaceState(null, "", answer.at);
      show(answer.form, sent);
      tell();
    }
    working = false;
    if (wanted) { const by = all("[name=do]", form).find(b => b.value === wanted); wanted = null; if (by) form.requestSubmit(by); }
  };

  // What was typed while the answer was on its way stays, and so does the focus.
  const show = (fresh, sent) => {
    const typed = filled();
    for (const name of new Set([...typed.keys(), ...sent.keys()])) {
      if (name === "scan" || name === "do" || String(typed.getAll(name)) === String(sent.getAll(name))) continue;
      for (const i of all(`[name="${CSS.escape(name)}"]`, fresh)) {
        if (i.type === "radio" || i.type === "checkbox") i.checked = typed.getAll(name).includes(i.value); else i.value = typed.get(name) || "";
      }
    }
    const focus = document.activeElement, id = focus && focus.id;
    for (const part of PARTS) {
      const old = $("#delivery-" + part), now = $("#delivery-" + part, fresh);
      if (old.open) now.open = true;
      old.replaceWith(now);
    }
    if (id && !focus.isConnected && $("#" + CSS.escape(id))) $("#" + CSS.escape(id)).focus();
    if (document.activeElement === document.body) field.focus();
  };

  field.addEventListener("keydown", e => {
    // Scanners that type send the sign that ends a field as this key (common practice).
    if (e.ctrlKey && e.key === "]") { e.preventDefault(); field.setRangeText("\u001d", field.selectionStart, field.selectionEnd, "end"); return; }
    if (e.key !== "Enter") return;
    e.preventDefault();
    const code = field.value;
    field.value = "";
    if (code.trim()) add(code);
  });
  // A scanner types wherever the focus is: where nothing is written, that is this field.
  document.addEventListener("keydown", e => {
    if (!document.activeElement.matches("input,textarea,select") && e.key.length === 1 && e.key !== " " && !e.ctrlKey && !e.altKey && !e.metaKey) field.focus();
  });
  // A press waits for the scans before it.
  form.addEventListener("submit", e => {
    const by = e.submitter ? e.submitter.value : "scan";
    if (by !== "scan" && !queue.length && !working) return;
    e.preventDefault(); e.stopPropagation();
    if (by !== "scan") { wanted = by; return; }
    add(field.value);
    field.value = ""; field.focus();
  });
  if (queue.length) { tell(); work(); }
})();
