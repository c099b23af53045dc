// Small parts of the page: elements, choices, the patient's scale, sound and vibration.

export const $ = (id) => document.getElementById(id);

/** An element: h("button", { class: "full", onclick }, "text"). Text is never read as markup. */
export function h(tag, told = {}, ...inside) {
  const svg = ["svg", "line", "circle", "text", "title"].includes(tag);
  const element = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(told)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...inside.flat().filter((part) => part !== null && part !== undefined && part !== false));
  return element;
}

export const button = (text, onclick, told = {}) => h("button", { type: "button", onclick, ...told }, text);

export const sentence = (text) => `${text[0].toUpperCase()}${text.slice(1)}.`;

export const row = (...inside) => h("div", { class: "row" }, ...inside);

let pressed = -Infinity, putOff = [];
const PRESS_MS = 3000, CLICK_MS = 100; // a finger's click comes a moment after it was lifted
addEventListener("pointerdown", () => { pressed = performance.now(); }, true);
addEventListener("pointerup", () => {
  const press = pressed;
  setTimeout(() => { if (pressed === press) lifted(); }, CLICK_MS);
});
for (const over of ["click", "pointercancel"]) addEventListener(over, lifted);

/** After the tap itself, what was put off for it. */
function lifted() {
  pressed = -Infinity;
  putOff.splice(0).forEach((draw) => draw());
}

/** Draw what is news, once no finger is down: a button that is drawn anew under a finger loses its tap. */
export function unlessPressed(draw) {
  if (performance.now() - pressed > PRESS_MS) draw();
  else putOff.push(draw);
}

/** Choices with the keys 1 to 9. */
export function choices(answers, chosen) {
  return h("div", { class: "choices" }, answers.map(([code, words], k) =>
    h("button", { type: "button", "data-key": k < 9 ? String(k + 1) : null, onclick: () => chosen(code) },
      k < 9 ? h("span", { class: "key", "aria-hidden": "true" }, String(k + 1)) : null, words)));
}

/** What the cold on a tooth was like, with the keys F and N. */
export const RESPONSES = [["felt", "Felt"], ["not_felt", "Not felt"]];
export function responses(answer) {
  return h("div", { class: "answers" }, RESPONSES.map(([code, text], k) => h("button", {
    type: "button", class: k ? "full" : "", "data-answer": code, "data-key": k ? "n" : "f", "data-stay": code, onclick: () => answer(code),
  }, text, " ", h("span", { class: "key", "aria-hidden": "true" }, k ? "N" : "F"))));
}

/** Something to type, taken with Enter or a tap. */
export function typed(input, take, words = "Next") {
  input.addEventListener("keydown", (e) => { if (e.key === "Enter") take(); });
  return row(input, button(words, take, { class: "full" }));
}

/** A number to type, with usual values to tap. */
export function numberField(field, usual, chosen) {
  const input = h("input", { type: "number", id: "number", inputmode: "decimal", step: "any", min: field.low, max: field.high });
  const take = () => {
    const value = Number(input.value.replace(",", "."));
    if (input.value !== "" && value >= field.low && value <= field.high) chosen(value);
    else say(`Between ${field.low} and ${field.high}.`);
  };
  return h("div", {},
    usual.length ? choices(usual.map((v) => [v, String(v)]), chosen) : null,
    h("label", { for: "number" }, usual.length ? "or another" : "Number"),
    typed(input, take));
}

export function textField(name, label, value, chosen) {
  const input = h("input", { type: "text", id: name, value, autocomplete: "off", autocapitalize: "characters", maxlength: 40 });
  const take = () => input.value.trim() && chosen(input.value.trim());
  return h("div", {}, h("label", { for: name }, label), typed(input, take));
}

const WORDS = { vrs4: ["none", "mild", "moderate", "severe"] };
const ENDS = { pain: ["no pain", "worst pain imaginable"], anxiety: ["calm", "as anxious as can be"] };

/** A score by the patient: on a line, in points, or in words. */
export function scoreField(field, scale, chosen) {
  if (scale in WORDS) return choices(WORDS[scale].map((w, k) => [k, w]), chosen);
  const ends = h("div", { class: "ends" }, ENDS[field.kind].map((word) => h("span", {}, word)));
  if (scale === "nrs11" || scale === "faces") {
    const step = scale === "faces" ? 2 : 1;
    const points = Array.from({ length: 10 / step + 1 }, (_, k) => k * step);
    return h("div", {}, h("div", { class: "points" }, points.map((p) => button(String(p), () => chosen(p)))), ends);
  }
  if (scale === "mdas" || scale === "das") return numberField(field, [], chosen);
  const done = button("Done", () => chosen(Number(line.value)), { class: "full", disabled: true });
  const touched = () => { line.classList.remove("untouched"); done.disabled = false; };
  const line = h("input", { type: "range", class: "untouched", min: field.low, max: field.high, step: 1, "aria-label": field.question });
  for (const kind of ["input", "pointerdown"]) line.addEventListener(kind, touched);
  return h("div", { class: "scale" }, line, ends, row(done));
}

/** Rows of teeth as they stand in the mouth, seen from the front: the patient's right at the left. */
export function toothChart(setup, primary, chosen) {
  const iso = setup.schedule.tooth_notation === "iso3950";
  const own = setup.teeth.filter(([, , dentition]) => (dentition === "primary") === primary);
  const size = primary ? 5 : 8;
  const quarter = (k) => own.slice(k * size, (k + 1) * size);
  // The list goes from the midline outwards; at the left of the chart it is read from the back.
  const order = [[quarter(0).reverse(), quarter(1)], [quarter(3).reverse(), quarter(2)]];
  const names = [["Upper right", "Upper left"], ["Lower right", "Lower left"]];
  return h("div", {}, order.map((row, r) => h("div", { class: "quadrants" }, row.map((teeth, q) =>
    h("div", { role: "group", "aria-label": names[r][q] },
      h("p", { class: "second" }, names[r][q]),
      h("div", { class: primary ? "teeth primary" : "teeth" }, teeth.map(([code]) =>
        button(code, () => chosen(code), { "aria-label": `tooth ${code}` }))))))),
    h("p", { class: "second" }, iso ? "FDI notation (ISO 3950)" : "Universal notation"));
}

export function say(text) {
  $("heard").textContent = text;
  const seen = $("hint");
  if (seen) seen.textContent = text;
}

// Cues -------------------------------------------------------------------------------------------

const on = (name) => localStorage[name] !== "off";
export const cues = {
  get sound() { return on("sound"); },
  get vibration() { return on("vibration"); },
  get colour() { return on("colour"); },
  toggle(name) { localStorage[name] = on(name) ? "off" : "on"; },
};

let audio;
/** A soft double knock, and a short vibration. */
export function knock() {
  if (cues.vibration) navigator.vibrate?.([70, 90, 70]);
  if (!cues.sound) return;
  audio ??= new AudioContext();
  for (const at of [0, 0.22]) {
    const tone = audio.createOscillator(), loud = audio.createGain(), t = audio.currentTime + at;
    tone.frequency.setValueAtTime(210, t);
    tone.frequency.exponentialRampToValueAtTime(90, t + 0.09);
    loud.gain.setValueAtTime(0.35, t);
    loud.gain.exponentialRampToValueAtTime(0.001, t + 0.16);
    tone.connect(loud).connect(audio.destination);
    tone.start(t);
    tone.stop(t + 0.18);
  }
}

let lock = null;
/** The screen stays on while a case runs. */
export async function keepAwake(wanted) {
  if (wanted && !lock && document.visibilityState === "visible") {
    try {
      lock = await navigator.wakeLock?.request("screen");
      lock?.addEventListener("release", () => { lock = null; });
    } catch { lock = null; }
  } else if (!wanted && lock) {
    lock.release();
    lock = null;
  }
}
