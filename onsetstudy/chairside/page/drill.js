// The mixing drill, in practice: volumes and seconds, with water and expired cartridges. No case, no arm.
import { now, request, send, tap } from "/log.js";
import { button, h, numberField, row, textField } from "/parts.js";
import { clockText } from "/flow.js";

let told = null, mixer = "", place = 0, began = null, took = null;

/** The drill, as elements; `again` draws it anew. */
export function drill(again) {
  if (!told) { load(again); return [h("h1", {}, "One moment.")]; }
  const next = (who, task) => {
    mixer = who;
    place = task;
    began = took = null;
    again();
  };
  if (!mixer) {
    const field = textField("drill-mixer", "Code of whoever mixes, no name", "", (code) => next(code, 0));
    return [h("h1", {}, "Who practises mixing?"), done(), field];
  }
  if (place >= told.tasks.length) {
    const another = button("Next person", () => { mixer = ""; again(); }, { class: "full", "data-key": "Enter" });
    return [h("h1", {}, "Done. Both kinds should take the same time."), done(), row(another)];
  }
  const task = told.tasks[place], volume = `${task.target_ml.toFixed(2)} mL`;
  const which = `Task ${place + 1} of ${told.tasks.length}. Water and expired cartridges; nothing of this is injected.`;
  const asked = h("p", { class: "second" }, which);
  if (took !== null) {
    return [
      asked,
      h("h1", {}, `How much was it, mL? ${volume} was asked for.`),
      h("p", { id: "hint", class: "second" }, "Read the syringe, or weigh it: 1 g of water is 1 mL."),
      numberField({ low: 0, high: 5 }, [], (read_ml) => {
        tap("drilled", { mixer, task: String(place + 1), read_ml, seconds: took });
        next(mixer, place + 1);
      }),
    ];
  }
  const what = task.mixed ? "Put it into the cartridge in place of the same volume." : "Throw it away, with the same movements.";
  const running = began !== null;
  const turn = () => {
    if (running) took = Math.round((now() - began) * 10) / 10;
    else began = now();
    again();
  };
  return [
    asked,
    h("h1", {}, `Draw up ${volume}. ${what}`),
    h("div", { class: "answers" }, button(running ? "Done" : "Start", turn, { class: "full", "data-key": "Enter" })),
    running ? h("p", { id: "drill-clock", role: "timer" }, clockText(now() - began)) : null,
  ].filter(Boolean);
}

async function load(again) {
  const fresh = await request("/api/mixing/drill");
  if (fresh && !told) { told = fresh; again(); }
}

setInterval(() => {
  const shown = document.getElementById("drill-clock");
  if (shown && began !== null) shown.textContent = clockText(now() - began);
}, 200);

/** A place that fills itself, so that nothing that is being typed is drawn over. */
function done() {
  const filled = h("div", {});
  send().then(() => request("/api/mixing/drill")).then((fresh) =>
    filled.replaceChildren(...(fresh?.results ?? []).map((r) => h("p", {}, result(r)))));
  return filled;
}

function result(r) {
  const ml = (x) => `${x > 0 ? "+" : ""}${x.toFixed(2)} mL`, s = (x) => (x === null ? "not done" : `${x.toFixed(0)} s`);
  return `${r.mixer}: ${r.near} of ${r.n} within a tenth of the volume; on average ${ml(r.mean_error_ml)}, `
    + `at worst ${ml(r.worst_error_ml)}. Mixed: ${s(r.mixed_s)}, thrown away: ${s(r.thrown_s)} (medians).`;
}
