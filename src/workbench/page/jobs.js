// Photographs on their way: what waits here, what the server works on, what it found.

import { call, get, hear, post, who } from "./api.js";
import { announce, ask, askWords, button, choice, field, h, put, toast } from "./dom.js";
import { megabytes, plural, sentence } from "./format.js";
import * as outbox from "./outbox.js";

const STEPS = { decode: "opening", marks: "finding the tiles", floor: "finding the tray", segment: "finding the objects", checks: "checking", measure: "measuring", classify: "judging" };
const ENDED = ["recorded", "known", "refused", "not-recorded", "failed"];
const WEIGHT = { refusal: 0, caution: 1, fine: 2 };

/** A small picture of a file, drawn once and kept small: photographs are large. */
const pictures = new Map();
const itemOfJob = new Map();
function pictureOf(item, job) {
  if (item && job) itemOfJob.set(job.job, item.id);
  const id = item?.id ?? itemOfJob.get(job?.job);
  const known = pictures.get(id);
  if (!known && !item?.file) return h("span", { class: "still", "aria-hidden": "true" });
  const canvas = h("canvas", { class: "still", width: 112, height: 84, "aria-hidden": "true" });
  if (known) canvas.getContext("2d").drawImage(known, 0, 0);
  else if (known === undefined) {
    pictures.set(item.id, null);
    createImageBitmap(item.file, { resizeWidth: 112, resizeHeight: 84, resizeQuality: "low" }).then(
      (bitmap) => {
        pictures.set(item.id, bitmap);
        canvas.getContext("2d").drawImage(bitmap, 0, 0);
      },
      () => {},
    );
  }
  return canvas;
}

const findingLines = (findings) =>
  findings
    .filter((f) => f.severity !== "fine")
    .sort((a, b) => WEIGHT[a.severity] - WEIGHT[b.severity])
    .map((f) => h("p", { class: f.severity === "refusal" ? "trouble" : "caution" }, h("b", {}, f.severity === "refusal" ? "Retake: " : "Beware: "), `${sentence(f.message)}.`, f.todo ? ` ${sentence(f.todo)}.` : ""));

/** A list that keeps itself true. `load`: the load whose page it stands on, or null for all. */
export function jobList(load, lots) {
  const list = h("ul", { class: "jobs", id: "jobs", "aria-label": "Photographs on their way" });
  const jobs = new Map();
  const rows = new Map();

  const mine = (job) => !load || !job.load || job.load === load || job.became?.load === load;

  function row(id) {
    if (!rows.has(id)) rows.set(id, h("li", { class: "job", data: { job: id } }));
    return rows.get(id);
  }

  async function dismiss(job) {
    const item = outbox.ofJob(job);
    if (item) await outbox.drop(item.id);
    await call("DELETE", `/api/jobs/${job.job}`).catch((error) => error.status !== 404 && toast(error.message, "bad"));
    jobs.delete(job.job);
    paint();
  }

  async function sendAgain(job, more) {
    const name = await who();
    if (!name) return;
    const item = outbox.ofJob(job);
    try {
      await post(`/api/jobs/${job.job}/again`, { who: name, ...more });
      if (item) await outbox.drop(item.id);
      jobs.delete(job.job);
    } catch (error) {
      if (!item) {
        toast(`${error.message}. ${error.todo || "Choose the file again."}`, "bad");
        return;
      }
      await outbox.again(item.id, { who: name, ...more });
      await dismissQuietly(job);
    }
    paint();
  }
  async function dismissQuietly(job) {
    jobs.delete(job.job);
    await call("DELETE", `/api/jobs/${job.job}`).catch(() => {});
  }

  async function sayWhere(job) {
    const given = await ask("Which tray is it?", (close) => {
      const start = outbox.ofJob(job)?.about ?? {};
      let lot = start.lot || lots()[0] || "UNSORTED";
      const number = h("input", { type: "number", min: 1, max: 9999, required: true, inputmode: "numeric", value: start.tray ?? "" });
      const bin = h("input", { type: "text", maxlength: 40, value: start.bin ?? "" });
      return h(
        "form",
        {
          onsubmit: (event) => {
            event.preventDefault();
            close({ load: load ?? start.load, lot, tray: number.value, bin: bin.value.trim() });
          },
        },
        choice("Lot", [...new Set([...lots(), "UNSORTED", "SORTED", "WASTE"])].map((l) => [l, l]), lot, (value) => (lot = value)),
        field("Tray number", number),
        field("Bin", bin, "Only if the plan does not say it"),
        h("div", { class: "row" }, h("button", { type: "submit", class: "main" }, "Work on it again"), button("Cancel", () => close())),
      );
    });
    if (given) sendAgain(job, Object.fromEntries(Object.entries(given).filter(([, v]) => v)));
  }

  async function takesPlace(job) {
    const why = await askWords("This photograph takes the place of the earlier one", "Why was the tray taken again?", {
      hint: "For example: a leaf lay over half of it. The earlier photograph stays in the history.",
      go: "Take its place",
    });
    if (why) sendAgain(job, { ...(outbox.ofJob(job)?.about ?? {}), retake: "1", why });
  }

  function fillJob(job) {
    const item = outbox.ofJob(job);
    const { became } = job;
    let words;
    let kind = "";
    const buttons = [];
    if (job.state === "queued") words = job.found_again ? "kept from an earlier run, waiting" : "waiting its turn";
    else if (job.state === "working") words = `${STEPS[job.step] ?? job.step ?? "working"} …`;
    else if (job.state === "recorded" && became) {
      words = `tray ${became.tray} of ${became.lot}, ${plural(became.objects, "object")}`;
      kind = "good";
      buttons.push(h("a", { class: "button main", href: `#/tray/${became.tray_id}` }, "Look at it"));
    } else if (job.state === "known") {
      words = `recorded before${became?.what ? `: ${became.what}` : ""}`;
      kind = "good";
    } else if (job.state === "refused") {
      // The findings below tell the reason; where there is none, the server's word stands here.
      const told = (job.findings ?? []).some((f) => f.severity === "refusal");
      words = told ? "refused, and kept" : `refused, and kept: ${became?.reason ?? ""}`;
      kind = "bad";
    } else {
      words = became?.reason ? became.reason : job.state === "failed" ? "it could not be worked on" : job.state;
      kind = "bad";
      // A file that is no photograph belongs to no tray.
      if (!became?.unreadable) buttons.push(button("Say which tray", () => sayWhere(job)));
      if (/recorded already|retake/.test(`${words} ${became?.todo ?? ""}`)) buttons.unshift(button("It takes its place", () => takesPlace(job), { class: "main" }));
    }
    if (ENDED.includes(job.state)) buttons.push(button("Clear", () => dismiss(job), { class: "plain", "aria-label": `Clear ${job.name} from the list` }));
    const problems = findingLines(job.findings ?? []);
    put(
      row(job.job),
      pictureOf(item, job),
      h(
        "div",
        {},
        h("div", { class: "name" }, job.name),
        h("div", {}, kind ? h("span", { class: `chip ${kind}` }, { good: "in", bad: "not in" }[kind]) : null, ` ${words}`),
        !ENDED.includes(job.state) && h("progress", { max: job.of || 7, value: job.done || 0, "aria-label": `Progress of ${job.name}` }),
      ),
      h("div", { class: "row" }, buttons),
      (problems.length > 0 || became?.todo) && h("div", { class: "more" }, problems, became?.todo && h("p", { class: "soft" }, sentence(became.todo))),
    );
    return row(job.job);
  }

  function fillItem(item) {
    const failed = item.state === "failed";
    const percent = item.state === "sending" && Number.isFinite(item.progress) ? item.progress : null;
    put(
      row(item.id),
      pictureOf(item),
      h(
        "div",
        {},
        h("div", { class: "name" }, item.name),
        h("div", {}, failed ? "not sent" : item.state === "sending" ? `sending, ${megabytes(item.file.size)}` : item.error ? "waits to be sent again" : "waits to be sent", item.unkept ? "; only kept while this page is open" : ""),
        item.state === "sending" && h("progress", { max: 1, value: percent ?? 0, "aria-label": `Sending ${item.name}` }),
      ),
      h(
        "div",
        { class: "row" },
        item.state !== "sending" && button("Send again", () => outbox.again(item.id), { class: "main" }),
        item.state !== "sending" && button("Clear", () => outbox.drop(item.id), { class: "plain", "aria-label": `Clear ${item.name} from the list` }),
      ),
      item.error && h("div", { class: "more" }, h("p", { class: failed ? "trouble" : "caution" }, `${item.error.message}. ${item.error.todo ?? ""}`)),
    );
    return row(item.id);
  }

  function paint() {
    const unsent = outbox.all().filter((i) => (!load || i.about.load === load) && (i.state !== "sent" || !jobs.has(i.job)));
    const wanted = [...[...jobs.values()].filter(mine).map(fillJob), ...unsent.map(fillItem)];
    // Rows that stay are left alone, so that a button under a finger does not jump away.
    if (wanted.length !== list.children.length || wanted.some((r, i) => list.children[i] !== r)) put(list, wanted);
    list.hidden = !wanted.length;
    for (const id of rows.keys()) if (!wanted.includes(rows.get(id))) rows.delete(id);
  }

  async function fetchAll() {
    try {
      const answer = await get("/api/jobs");
      jobs.clear();
      for (const job of answer.jobs) {
        jobs.set(job.job, job);
        outbox.settle(job);
      }
    } catch {
      // The bar above says that the program does not answer; the list stays as it was.
    }
    paint();
  }

  function onJob(job) {
    jobs.set(job.job, job);
    if (!mine(job)) return;
    // One row changes; the others keep their buttons.
    paint();
    if (ENDED.includes(job.state)) announce(`${job.name}: ${job.state === "recorded" ? `tray ${job.became?.tray} is in` : job.became?.reason ?? job.state}`);
  }

  const stops = [hear("job", onJob), hear("hello", fetchAll), outbox.watch(paint)];
  fetchAll();
  return { list, close: () => stops.forEach((stop) => stop()) };
}

/** Where photographs are dropped, chosen or taken. */
export function addPhotographs(load, lots) {
  let lot = "";
  const number = h("input", { type: "number", min: 1, max: 9999, inputmode: "numeric" });
  const bin = h("input", { type: "text", maxlength: 40 });
  async function take(files) {
    const chosen = [...files].filter((f) => f.type.startsWith("image/") || /\.(jpe?g|png|tiff?)$/i.test(f.name));
    const left = files.length - chosen.length;
    if (left) toast(`${plural(left, "file")} left out: only photographs can be read.`, "bad");
    if (!chosen.length) return;
    const name = await who();
    if (!name) {
      toast("Nothing was sent: nobody said who they are.", "bad");
      return;
    }
    const about = { who: name, load };
    if (lot) about.lot = lot;
    // A number and a bin can only be of one photograph.
    if (chosen.length === 1 && number.value) about.tray = number.value;
    if (chosen.length === 1 && bin.value.trim()) about.bin = bin.value.trim();
    await outbox.add(chosen, about);
    number.value = "";
    bin.value = "";
  }
  const pick = (words, props) => {
    const input = h("input", {
      type: "file",
      accept: "image/*",
      ...props,
      onchange: () => {
        take([...input.files]);
        input.value = "";
      },
    });
    return h("label", { class: `button ${props.capture ? "main" : ""}` }, words, input);
  };
  const drop = h(
    "div",
    { class: "drop", id: "drop" },
    pick("Take a photograph", { capture: "environment", id: "camera" }),
    pick("Choose photographs", { multiple: true, id: "files" }),
    h("span", { class: "soft" }, "or drop them here. Load, lot and tray are read from the slip in the photograph."),
  );
  drop.addEventListener("dragover", (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    take([...event.dataTransfer.files]);
  });
  return [
    drop,
    h(
      "details",
      {},
      h("summary", {}, "There is no slip in the photograph"),
      choice("Lot", [["", "as the slip says"], ...[...new Set([...lots, "UNSORTED", "SORTED", "WASTE"])].map((l) => [l, l])], "", (value) => (lot = value)),
      h("div", { class: "grid" }, field("Tray number", number, "For one photograph at a time"), field("Bin", bin, "Only if the plan does not say it")),
    ),
  ];
}
