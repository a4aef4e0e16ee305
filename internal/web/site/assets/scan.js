// thawtrail: a code is read by the camera and typed into its field as a scanner does it.
// This comes when the camera is asked for, and so does the reader of codes.
"use strict";
(() => {
  const { say, now } = window.thawtrail;
  const FORMATS = ["qr_code", "data_matrix", "code_128"];
  const EVERY_MS = 120, OPEN_MS = 120000, WIDTH_PX = 1280;

  // The browser's own reader, where it knows all of our symbols.
  const own = async () => {
    const known = window.BarcodeDetector ? await BarcodeDetector.getSupportedFormats().catch(() => []) : [];
    if (!FORMATS.every(f => known.includes(f))) return null;
    const detector = new BarcodeDetector({ formats: FORMATS });
    return async video => { const [found] = await detector.detect(video); return found && found.rawValue; };
  };
  const load = src => new Promise((done, fail) => document.head.append(Object.assign(document.createElement("script"), { src, onload: done, onerror: fail })));
  // The kept reader. What it cannot find in a picture it throws.
  const kept = async src => {
    if (!window.ZXing) await load(src);
    const Z = window.ZXing, reader = new Z.MultiFormatReader(), canvas = document.createElement("canvas");
    reader.setHints(new Map([
      [Z.DecodeHintType.POSSIBLE_FORMATS, [Z.BarcodeFormat.QR_CODE, Z.BarcodeFormat.DATA_MATRIX, Z.BarcodeFormat.CODE_128]],
      [Z.DecodeHintType.TRY_HARDER, true], [Z.DecodeHintType.ASSUME_GS1, true],
    ]));
    return async video => {
      const part = Math.min(1, WIDTH_PX / video.videoWidth);
      canvas.width = video.videoWidth * part; canvas.height = video.videoHeight * part;
      canvas.getContext("2d", { willReadFrequently: true }).drawImage(video, 0, 0, canvas.width, canvas.height);
      try { return reader.decodeWithState(new Z.BinaryBitmap(new Z.HybridBinarizer(new Z.HTMLCanvasElementLuminanceSource(canvas)))).getText(); } catch { return ""; }
    };
  };
  // Why there is no picture, in words, with what to do.
  const why = e => say({ NotAllowedError: "camera_refused", SecurityError: "camera_refused", NotReadableError: "camera_busy", AbortError: "camera_busy" }[e.name] || "camera_none");

  const make = (tag, of) => Object.assign(document.createElement(tag), of);
  let close = () => {};
  // What was read is typed as by a scanner, which ends with Enter. A list of bags takes
  // one after the other.
  const type = (field, text) => {
    const many = field.matches("textarea");
    field.value = many ? [field.value.trim(), text, ""].filter((part, n) => part || n).join("\n") : text;
    field.dispatchEvent(new Event("input", { bubbles: true }));
    const enter = new KeyboardEvent("keydown", { key: "Enter", bubbles: true, cancelable: true });
    if (field.dispatchEvent(enter) && !many) field.form.requestSubmit();
    return many;
  };
  const light = (track, box) => {
    if (!track.getCapabilities || !track.getCapabilities().torch) return;
    let on = false;
    const b = make("button", { type: "button", className: "scan", textContent: say("camera_light") });
    b.onclick = () => { on = !on; b.setAttribute("aria-pressed", on); track.applyConstraints({ advanced: [{ torch: on }] }).catch(() => b.remove()); };
    box.append(b);
  };

  window.thawtrail.scan = async (field, press, reader) => {
    close();
    const box = make("div", { className: "camera" }), video = make("video", { muted: true, playsInline: true }), said = make("p"), presses = make("p", { className: "inline" });
    said.setAttribute("role", "status");
    let open = true, stream = null;
    close = () => {
      open = false; close = () => {};
      if (stream) stream.getTracks().forEach(t => t.stop());
      video.remove(); presses.remove();
      if (!said.dataset.stays) box.remove();
    };
    const tell = text => { said.textContent = text; said.dataset.stays = "1"; };
    for (const old of document.querySelectorAll(".camera")) old.remove();
    press.after(box); box.append(said);
    if (!navigator.mediaDevices) { tell(say("camera_insecure")); return; }
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: { ideal: "environment" }, width: { ideal: WIDTH_PX } } });
    } catch (e) { tell(why(e)); return; }
    if (!open) { stream.getTracks().forEach(t => t.stop()); return; }
    video.srcObject = stream;
    said.textContent = say("camera_look");
    presses.append(make("button", { type: "button", className: "scan", textContent: say("camera_close"), onclick: () => { close(); press.focus(); } }));
    light(stream.getVideoTracks()[0], presses);
    box.append(video, presses); box.scrollIntoView({ block: "nearest" });
    let find = null;
    try { await video.play(); find = await own() || await kept(reader); } catch { tell(say("away")); close(); return; }
    const seen = new Set(), until = now() + OPEN_MS;
    while (open && now() < until) {
      await new Promise(r => setTimeout(r, EVERY_MS));
      const text = open && video.videoWidth && await find(video).catch(() => "");
      if (!text || !open || seen.has(text)) continue;
      seen.add(text);
      if (navigator.vibrate) navigator.vibrate(80);
      if (!type(field, text)) close(); else said.textContent = say("camera_noted", text, seen.size);
    }
    if (open) close();
  };
  addEventListener("pagehide", () => close());
})();
