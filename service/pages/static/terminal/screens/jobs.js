/** The job of a run: those that fit the plate first. */

import { chooseJob, go, state, theShop } from "../app.js";
import { button, element } from "../elements.js";
import { number, say } from "../words.js";

const MOST_TILES = 60;

export function jobs() {
  const narrow = (event) => {
    state.typed.job = event.target.value;
    document.getElementById("jobs").replaceChildren(...tiles());
  };
  return [
    element("h1", { tabindex: "-1" }, say("which_job")),
    element(
      "div.line.scan",
      {},
      element("label", { for: "job" }, say("search_job")),
      element("input", { id: "job", type: "search", maxlength: "128", autocomplete: "off", autocapitalize: "off", spellcheck: "false", value: state.typed.job ?? "", oninput: narrow }),
    ),
    element("div.tiles", { id: "jobs" }, tiles()),
    button(say("back"), () => go("run"), { class: "quiet", id: "back" }),
  ];
}

function tiles() {
  const shop = theShop();
  const typed = (state.typed.job ?? "").trim();
  const fitting = shop.fitting(shop.plate(state.draft.plate));
  const others = shop.jobs.filter((job) => !fitting.includes(job));
  const found = [...fitting, ...(typed ? others : [])].filter(({ job, part_number: part }) =>
    [job, part].some((text) => (text ?? "").toLowerCase().includes(typed.toLowerCase())),
  );
  const shown = found.slice(0, MOST_TILES).map((job) => tile(job, shop.stillToMake(job.job), fitting.includes(job)));
  if (typed && !found.some(({ job }) => job === typed)) {
    const unknown = { job: typed };
    shown.push(button([element("strong", {}, typed), element("span", {}, say("unknown_job"))], () => chooseJob(state.about, unknown), { class: "tile unknown" }));
  }
  shown.push(button([element("strong", {}, say("no_job")), element("span", {}, say("no_job_hint"))], () => chooseJob(state.about, null), { class: "tile", id: "no-job" }));
  return shown;
}

function tile(job, short, fits) {
  return button(
    [
      element("strong", {}, job.job),
      element("span", {}, [job.part_number, job.thickness_mm && say("mm", { value: job.thickness_mm }), job.material].filter(Boolean).join(" · ")),
      element("span", {}, short > 0 ? say("short_count", { count: short }) : say("complete", { count: number(job.quantity ?? 0) })),
      fits ? null : element("span.wrong", {}, say("does_not_fit")),
    ],
    () => chooseJob(state.about, job),
    { class: "tile", "data-job": job.job },
  );
}
