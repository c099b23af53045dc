// The set-up, where the recorder was started without a protocol: one question at a time, the usual answer at hand.
import { request, state } from "/log.js";
import { $, button, choices, h, row, typed } from "/parts.js";

let asked, told = sessionStorage.set_up ? JSON.parse(sessionStorage.set_up) : {}, setup, note = "";
const keepTold = () => { sessionStorage.set_up = JSON.stringify(told); };
const named = (name) => setup.questions.find((q) => q.name === name);
const needed = ({ needs: [name, ...after] }) => !name || (after.includes(told[name]) && needed(named(name)));
const questions = () => [...setup.questions, ...(told.randomised === "yes" ? setup.settled : [])].filter(needed);
const usual = (q) => (q.name === "assessor_blind" ? told.randomised ?? q.usual : q.usual);
const shown = (q) => (told[q.name] === "" ? "open" : q.answers.find(([code]) => code === told[q.name])?.[1] ?? told[q.name]);

export function startSetUp(given) {
  setup = given;
  document.title = "Set-up";
  addEventListener("keydown", (e) => {
    if (e.repeat || e.ctrlKey || e.metaKey || e.altKey || (e.target.matches?.("input, button") && e.key !== "Escape")) return;
    const found = document.querySelector(`[data-key="${CSS.escape(e.key)}"]`);
    if (found) { e.preventDefault(); found.click(); }
  });
  draw();
}

function draw() {
  asked = questions().find((q) => told[q.name] === undefined);
  $("task").replaceChildren(...(asked ? question(asked) : summary()).filter(Boolean));
  $("task").focus({ preventScroll: true });
}

function answer(text) {
  told[asked.name] = text;
  keepTold();
  draw();
}

function back() {
  const last = questions().findLast((q) => told[q.name] !== undefined);
  if (last) delete told[last.name];
  keepTold();
  draw();
}

function question(q) {
  const all = questions(), open = setup.settled.includes(q);
  const which = `Question ${all.indexOf(q) + 1} of ${all.length}.${open ? " Before the lock, in a sentence." : ""}`;
  const ways = row(
    open ? button("Leave it open", () => answer(""), { class: "quiet" }) : null,
    Object.keys(told).length ? button("Back", back, { class: "quiet", "data-key": "Escape" }) : null);
  const head = [h("p", { class: "second" }, which), h("h1", { id: "question" }, q.question)];
  const words = q.answers.find(([code]) => code === usual(q))?.[1] ?? "";
  if (q.answers.length) return [...head, h("p", { class: "second" }, `Usual: ${words.toLowerCase()}.`), choices(q.answers, answer), ways];
  const input = h("input", {
    type: "text", id: "answer", class: ["text", "minutes"].includes(q.kind) ? "wide" : "", value: q.usual, autocomplete: "off",
    maxlength: 500, "aria-labelledby": "question",
  });
  const take = () => input.value.trim() && answer(input.value.trim());
  return [...head, typed(input, take), ways];
}

function summary() {
  return [
    h("h1", {}, "Is this right?"),
    note ? h("p", { class: "mark", role: "alert" }, note) : null,
    row(
      button("Write the protocol", write, { class: "full", "data-key": "Enter" }),
      button("Back", back, { class: "quiet", "data-key": "Escape" })),
    h("ul", { class: "told" }, questions().map(toldOf)),
  ];
}

function toldOf(q) {
  const change = () => {
    delete told[q.name];
    note = "";
    keepTold();
    draw();
  };
  return h("li", {},
    h("span", {}, h("span", { class: "second" }, q.question), h("br"), shown(q)),
    button("Change", change, { class: "quiet", "aria-label": `Change: ${q.question}` }));
}

async function write(event) {
  event.currentTarget.disabled = true; // once
  const done = await request("/api/set-up", { answers: told });
  if (!done) { note = state.why || "The computer does not answer."; draw(); return; }
  delete sessionStorage.set_up;
  $("task").replaceChildren(h("h1", {}, "The protocol is written."), ...done.lines.map((line) => h("p", {}, line)));
}
