// A PIN for a device that is left alone: its task is covered until the PIN is entered, also after a reload.
// It keeps out whoever picks the device up, not whoever takes it apart. Clocks and cues go on under the cover.
import { now, request } from "/log.js";
import { $, button, h, row, typed } from "/parts.js";

const LEFT_ALONE_S = 300;
const ATTEMPTS = 5;
const ROUNDS = 200_000;
const ABOUT = "After five minutes without a touch the task is covered until the PIN is entered. "
  + "After five wrong ones this device has to be let in anew.";
let touched = now();
let setting = false;

export const hasPin = () => !!localStorage.pin;
const locked = () => localStorage.locked === "yes";
const hex = (bytes) => [...new Uint8Array(bytes)].map((b) => b.toString(16).padStart(2, "0")).join("");

async function digest(pin, salt) {
  const text = new TextEncoder(), key = await crypto.subtle.importKey("raw", text.encode(pin), "PBKDF2", false, ["deriveBits"]);
  return hex(await crypto.subtle.deriveBits({ name: "PBKDF2", hash: "SHA-256", salt: text.encode(salt), iterations: ROUNDS }, key, 256));
}

const field = (id, label, take) => {
  const input = h("input", { type: "password", id, inputmode: "numeric", autocomplete: "off", maxlength: 8 });
  return [
    h("label", { for: id }, label),
    typed(input, () => take(input), id === "pin" ? "Set" : "Open"),
    h("p", { id: `${id}-said`, role: "alert" }, ""),
  ];
};

/** Where a PIN is set or taken away; `done` goes back. */
export function pinScreen(done) {
  const set = async (input) => {
    if (!/^\d{4,8}$/.test(input.value)) { $("pin-said").textContent = "Four to eight digits."; return; }
    const salt = crypto.randomUUID();
    setting = true;
    localStorage.pin = JSON.stringify({ salt, digest: await digest(input.value, salt) });
    localStorage.attempts = "0";
    if (setting) done(); // who went back meanwhile stays there
  };
  const leave = () => { setting = false; done(); };
  const without = () => {
    delete localStorage.pin;
    done();
  };
  return [
    h("h1", {}, "A PIN for this device"),
    h("p", {}, ABOUT),
    ...field("pin", "Four to eight digits", set),
    row(
      hasPin() ? button("Without a PIN", without) : null,
      button("Back", leave, { class: "quiet", "data-key": "Escape" })),
  ];
}

/** Buttons for the page's own settings. */
export const pinButtons = (open) => [
  button(hasPin() ? "PIN: set" : "PIN when left alone", open, { class: "quiet", "data-stay": "pin-set" }),
  hasPin() ? button("Cover now", lock, { class: "quiet", "data-stay": "cover-now" }) : null,
];

function lock() {
  localStorage.locked = "yes";
  cover();
}

function cover() {
  const there = $("cover");
  if (!locked() || !hasPin()) { there?.remove(); bare(true); return; }
  if (there) return;
  bare(false);
  const made = h("section", { id: "cover", role: "main", "aria-label": "Covered" },
    h("h1", {}, "Left alone: enter the PIN."), ...field("unlock", "PIN", unlock));
  made.addEventListener("keydown", (e) => e.stopPropagation());
  $("task").before(made);
  $("unlock").focus();
}

function bare(open) {
  document.body.classList.toggle("covered", !open);
  for (const id of ["top", "task", "recent"]) $(id).inert = !open;
}

async function unlock(input) {
  const { salt, digest: known } = JSON.parse(localStorage.pin), used = Number(localStorage.attempts ?? 0) + 1;
  if (used > ATTEMPTS) { shut(); return; }
  localStorage.attempts = String(used); // counted before it is known, so that a reload gives no more tries
  if (await digest(input.value, salt) === known) {
    localStorage.attempts = "0";
    localStorage.locked = "no";
    touched = now();
    cover();
    return;
  }
  input.value = "";
  $("unlock-said").textContent = `This is not the PIN; ${ATTEMPTS - used} more tries.`;
  if (used === ATTEMPTS) shut();
}

/** The session ends at the computer; what was tapped stays here and is sent once the device is let in again. */
async function shut() {
  if (await request("/api/leave", {}) === null) {
    $("unlock-said").textContent = "Too many tries: nothing opens until the computer answers.";
    return;
  }
  for (const name of ["pin", "locked", "attempts"]) delete localStorage[name];
  location.replace("/");
}

export function watchAlone() {
  for (const kind of ["pointerdown", "keydown"]) {
    addEventListener(kind, (e) => {
      if (locked() && hasPin() && !e.target.closest?.("#cover")) { e.stopImmediatePropagation(); e.preventDefault(); return; }
      touched = now();
    }, true);
  }
  addEventListener("storage", cover); // all tabs of a device are covered and opened together
  setInterval(() => { if (hasPin() && !locked() && now() - touched > LEFT_ALONE_S) lock(); }, 1000);
  cover();
}
