// The page: list of readings, the chosen one, its decision, the log of edits.

import * as api from "./api.js";
import { el, bdi, rail, median } from "./draw.js";
import { Pane } from "./pane.js";

const PARTS = ["main", "arcing"];
const at = (id) => document.getElementById(id);
const state = { told: null, key: null, axis: "travel", reading: null, moves: {}, us: {}, seen: 0, turn: 0, beside: "", which: "all" };

const own = new Pane(at("own"), { editable: true, onMove: moved, onRange: (range, axis) => follow(other, range, axis) });
const other = new Pane(at("other"), { editable: false, onRange: (range, axis) => follow(own, range, axis) });

function follow(pane, range, axis) {
  if (pane.reading?.readable && pane.axis === axis && !pane.root.hidden && (pane.range[0] !== range[0] || pane.range[1] !== range[1])) pane.look([...range]);
}

function say(words, good = false) {
  const box = at("message");
  box.textContent = words;
  box.classList.toggle("good", good);
  box.hidden = !words;
}

const guarded = (work) => async (...words) => {
  try {
    await work(...words);
  } catch (error) {
    say(error instanceof api.Refused ? error.message : `The page failed: ${error.message}`);
    if (!(error instanceof api.Refused)) throw error;
  }
};

// -- the whole result

async function refresh() {
  const told = await api.overview();
  const news = state.told === null || told.version !== state.told.version;
  state.told = told;
  status();
  if (news) {
    heading();
    choices();
    list();
    log();
    findings();
  }
  return news;
}

function status() {
  const { version, written, trouble, torn } = state.told;
  const words = [version === 1 ? "1 edit in the log." : `${version} edits in the log.`];
  words.push(trouble || (written === version ? "Tables and report are up to date." : "Tables and report follow …"));
  if (torn) words.push(`${torn} unfinished ${torn === 1 ? "line" : "lines"} of the log passed over.`);
  const line = words.join(" ");
  if (at("state").textContent !== line) at("state").textContent = line;
}

function heading() {
  const { breaker, record, start, verdict, caution } = state.told;
  document.title = `Review: ${breaker}`;
  at("breaker").textContent = breaker;
  at("record").textContent = record;
  at("start").textContent = start ? `, ${start}` : "";
  at("verdict").textContent = verdict;
  at("caution").textContent = caution;
}

function choices() {
  const operations = [...new Map(state.told.readings.map((r) => [r.operation, r.kind])).entries()].sort((a, b) => a[0] - b[0]);
  const option = ([n, kind]) => el("option", { value: n }, `operation ${n}, ${kind}`);
  const { records } = state.told;
  const several = records.length > 1;
  at("which").replaceChildren(
    el("option", { value: "all" }, several ? "all records" : "all operations"),
    ...(several
      ? records.map((r, k) =>
          el("optgroup", { label: `record ${r.name}` }, el("option", { value: `record ${k}` }, `all of ${r.name}`), ...operations.filter(([n]) => r.operations.includes(n)).map(option)),
        )
      : operations.map(option)),
  );
  at("which").value = state.which;
  const groups = [el("option", { value: "" }, "nothing")];
  for (const [of, told, words] of [["own", state.told, "this result"], ["beside", state.told.beside, "second result"]]) {
    if (!told) continue;
    const sorted = [...told.readings].sort((a, b) => a.operation - b.operation || a.name.localeCompare(b.name));
    groups.push(el("optgroup", { label: told === state.told ? words : `${words}: ${told.record}` }, ...sorted.map((r) => el("option", { value: `${of} ${r.key}` }, `${r.name}, operation ${r.operation}, ${r.kind}${recordOf(told, r)}`))));
  }
  at("beside").replaceChildren(...groups);
  at("beside").value = state.beside;
}

function recordOf(told, r) {
  const record = told.records.length > 1 && told.records.find((one) => one.operations.includes(r.operation));
  return record ? `, record ${record.name}` : "";
}

function sentence(parts) {
  const words = `${parts.join("; ")}.`;
  return words[0].toUpperCase() + words.slice(1);
}

function list() {
  const focused = document.activeElement?.dataset?.key;
  const [what, place] = state.which.split(" ");
  const wanted = what === "record" ? state.told.records[Number(place)].operations : null;
  const shown = state.told.readings.filter((r) => (wanted ? wanted.includes(r.operation) : what === "all" || String(r.operation) === what));
  const open = state.told.readings.filter((r) => r.doubt > 0 && !r.decided).length;
  at("list-about").textContent = `${open} of ${state.told.readings.length} are doubtful and not decided. Dashed: median of all.`;
  const alike = (r) => state.told.readings.filter((o) => o.unit === r.unit && (r.unit === "mm" || o.kind === r.kind));
  const rails = new Map();
  const range = (r) => {
    const name = r.unit === "mm" ? "mm" : r.kind;
    if (!rails.has(name)) {
      const ends = alike(r).flatMap((o) => [o.bar.main[0], o.bar.arcing[0]]).filter((v) => v !== null);
      const [low, high] = ends.length ? [Math.min(...ends), Math.max(...ends)] : [0, 1];
      rails.set(name, r.unit === "mm" ? [Math.min(0, low), high * 1.06] : [low - 0.25 * (high - low || 4), high + 0.25 * (high - low || 4)]);
    }
    return rails.get(name);
  };
  at("list").replaceChildren(
    ...shown.map((r) => {
      const siblings = alike(r).filter((o) => o.kind === r.kind);
      const medians = PARTS.map((p) => median(siblings.map((o) => o.bar[p][0])));
      const button = el(
        "button",
        { type: "button", class: r.level, "data-key": r.key, "aria-current": r.key === state.key ? "true" : "false" },
        el("span", { class: "head" }, el("span", {}, `${r.mark} `, bdi(r.name), ` · ${r.operation} ${r.kind}`), el("span", { class: "decided" }, r.by_hand ? "✎ decided" : "")),
        rail(r, range(r), medians),
        el("span", { class: "why" }, r.by_hand ? `By hand: ${r.by_hand}. ` : "", `Wipe ${r.wipe}${r.wipe === "–" ? "" : ` ${r.unit}`}. `, r.why.length ? sentence(r.why.slice(0, 2)) : "Nothing doubtful."),
      );
      button.addEventListener("click", () => choose(r.key));
      return el("li", {}, button);
    }),
  );
  if (focused) at("list").querySelector(`[data-key="${focused}"]`)?.focus();
}

function findings() {
  const { findings: all } = state.told;
  at("findings").replaceChildren(...(all.length ? all.map((f) => findingItem(f)) : [el("li", {}, "No finding.")]));
}

function findingItem(f, word = "") {
  return el("li", { class: f.level }, word, `${f.mark} ${f.level} (${f.subject}), `, bdi(f.where), `: ${f.message}`, el("span", { class: "small" }, `Basis: ${f.basis}`));
}

function log() {
  const { edits, read_only: readOnly } = state.told;
  at("log-about").textContent = edits.length ? "The newest first. Taking one back is an entry of its own and needs a name and a reason, given under Decision." : "None yet.";
  at("log").parentElement.hidden = !edits.length;
  at("log").tBodies[0].replaceChildren(
    ...[...edits].reverse().map((e) => {
      const undo = el("button", { type: "button" }, e.what.startsWith("undoes") ? "Take back the undo" : "Undo");
      undo.setAttribute("aria-label", `${undo.textContent} ${e.number}`);
      undo.addEventListener("click", guarded(() => undoEdit(e)));
      const takesBack = e.what.startsWith("undoes") ? !edits.some((o) => o.what === `undoes edit ${e.number}` && o.number > e.number) : e.holds;
      return el(
        "tr",
        { class: takesBack ? undefined : "undone" },
        el("th", { scope: "row" }, String(e.number)),
        el("td", {}, e.when),
        el("td", {}, bdi(e.who)),
        el("td", {}, bdi(e.interrupter), `, operation ${e.operation}`),
        el("td", {}, el("span", { class: "what" }, e.what), takesBack ? "" : " (undone)"),
        el("td", { class: "why" }, el("div", {}, bdi(e.why))),
        el("td", {}, takesBack && !readOnly ? undo : ""),
      );
    }),
  );
}

// -- the chosen reading

const choose = guarded(async (key) => {
  if (pending() && key !== state.key && state.key !== null) say("The moved instants of the last reading were not kept.");
  else say("");
  state.key = key;
  state.moves = {};
  state.us = {};
  for (const b of at("list").querySelectorAll("button")) b.setAttribute("aria-current", String(b.dataset.key === key));
  history.replaceState(null, "", `#${key}`);
  await load();
});

async function load() {
  state.turn += 1;
  const turn = state.turn;
  const version = state.told.version;
  const reading = await api.reading("own", state.key);
  if (turn !== state.turn) return;
  state.reading = reading;
  state.seen = Math.max(version, state.key === state.seenKey ? state.seen : 0);
  state.seenKey = state.key;
  const titles = [bdi(reading.name), ` · pole `, bdi(reading.pole), ` · operation ${reading.operation}, ${reading.kind}`, ...(reading.record ? [" · record ", bdi(reading.record)] : [])];
  at("reading-title").replaceChildren(...titles);
  at("why").textContent = reading.why.length ? `Doubtful because: ${reading.why.join("; ")}.` : "Nothing in this reading is doubtful.";
  at("reference").textContent = reading.reference;
  at("axis-travel").disabled = !reading.travel;
  at(`axis-${reading.travel ? state.axis : "time"}`).checked = true;
  fields();
  figures(reading);
  await own.show("own", reading, state.axis);
}

function pending() {
  return PARTS.some(changed);
}

function changed(part) {
  return part in state.moves || part in state.us;
}

// The instant as it is to be, and the standard uncertainty stated with it; null for none.
function placed(part) {
  const stood = state.reading.instants[part];
  const ms = part in state.moves ? state.moves[part] : stood.ms;
  return { ms, u: ms === null ? null : part in state.us ? state.us[part] : stood.stated_u_ms };
}

function fields() {
  for (const part of PARTS) {
    const { ms, u } = placed(part);
    const input = at(`${part}-ms`);
    if (document.activeElement !== input) input.value = ms === null ? "" : ms.toFixed(3);
    input.disabled = !state.reading.readable;
    const beside = at(`${part}-u`);
    if (document.activeElement !== beside) beside.value = u === null ? "" : Number(u.toPrecision(4)).toString();
    beside.disabled = !state.reading.readable || ms === null;
    document.querySelector(`[data-back="${part}"]`).disabled = !changed(part);
  }
  at("keep").disabled = !pending();
}

function figures(reading) {
  const wipe = (r) => r.figures.find((f) => f.title === "arcing wipe" && f.unit === (state.reading.travel ? "mm" : "ms")) ?? {};
  const w = wipe(reading);
  at("wipe").replaceChildren("Arcing wipe ", el("span", { id: "wipe-now" }, `${w.now ?? "–"} ${w.unit ?? ""}`), " ", el("span", { class: "small" }, `found ${w.found ?? "–"}, siblings ${w.siblings ?? "–"}`));
  at("figures").tBodies[0].replaceChildren(
    ...reading.figures.map((f) => el("tr", { class: f.now === f.found ? undefined : "differs" }, el("th", { scope: "row" }, `${f.title}${f.unit ? `, ${f.unit}` : ""}`), el("td", {}, f.found), el("td", {}, f.now), el("td", {}, f.siblings))),
  );
}

function moved(part, ms) {
  const value = ms === null ? null : Math.round(ms * 1e4) / 1e4;
  const stood = state.reading.instants[part].ms;
  if (value === null ? stood === null : stood !== null && Math.abs(value - stood) < 5e-5) delete state.moves[part];
  else state.moves[part] = value;
  own.set(part, part in state.moves ? value : stood, part in state.moves);
  fields();
  later();
}

function stated(part, u) {
  const stood = state.reading.instants[part].stated_u_ms;
  if (u === stood) delete state.us[part];
  else state.us[part] = u;
  fields();
  later();
}

// A number with either decimal sign, or nothing; `use` is given what is right, and only that.
function typedInto(input, right, words, use) {
  const typed = () => {
    const text = input.value.trim().replace(",", ".");
    const value = text === "" ? null : Number(text);
    const good = value === null || (Number.isFinite(value) && right(value));
    input.setAttribute("aria-invalid", String(!good));
    if (!good) say(words);
    else {
      if (at("message").textContent === words) say("");
      use(value);
    }
  };
  input.addEventListener("change", typed);
  input.addEventListener("keydown", (event) => event.key === "Enter" && typed());
}

let timer = 0;
function later() {
  clearTimeout(timer);
  timer = setTimeout(guarded(previewed), 80);
}

async function previewed() {
  state.turn += 1;
  const turn = state.turn;
  if (!pending()) {
    figures(state.reading);
    at("changes").hidden = true;
    return;
  }
  const got = await api.preview({ reading: state.key, edits: movesAsEdits() });
  if (turn !== state.turn) return;
  figures(got);
  const { gone, come } = got.changes;
  at("changes").hidden = false;
  at("changes-list").replaceChildren(...gone.map((f) => findingItem(f, "Goes: ")), ...come.map((f) => findingItem(f, "Comes: ")), ...(gone.length + come.length ? [] : [el("li", {}, "No finding comes or goes.")]));
}

function movesAsEdits() {
  return PARTS.filter(changed).map((p) => {
    const { ms, u } = placed(p);
    return { action: "move", instant: p, at_ms: ms, ...(u === null ? {} : { u_ms: u }) };
  });
}

// -- decisions

function person() {
  const who = at("who").value.trim();
  const reason = at("reason").value.trim();
  if (!who || !reason) {
    say(who ? "Give a reason or note first." : "Give your name first.");
    at(who ? "reason" : "who").focus();
    return null;
  }
  return { who, reason };
}

async function keep(edits, given, key, seen) {
  let kept;
  try {
    kept = (await api.decide({ reading: key, seen, ...given, edits })).version;
    // What was kept has been seen by whoever kept it; on this reading nobody else's can lie between.
    state.seen = kept;
  } catch (error) {
    if (!error.overtaken) throw error;
    const before = seen;
    await refresh();
    const theirs = state.told.edits.filter((e) => e.number > before).map((e) => `${e.who}: ${e.what} (${e.why.slice(0, 120)})`);
    state.seen = state.told.version;
    say(`Not kept yet: this reading was edited meanwhile. ${theirs.join("; ")}. Yours is still here: look at theirs, then keep yours again, or choose the reading anew.`);
    return;
  }
  state.moves = {};
  state.us = {};
  at("reason").value = "";
  at("changes").hidden = true;
  await refresh();
  await load();
  say(`Kept as edit ${kept}. Tables and report follow.`, true);
}

const undoEdit = async (edit) => {
  const given = person();
  // The edit may be another reading's: whoever takes it back has the whole log before them.
  if (given) await keep([{ action: "undo", undoes: edit.number }], given, state.key, state.told.version);
};

at("decide").addEventListener(
  "submit",
  guarded(async (event) => {
    event.preventDefault();
    const action = event.submitter?.dataset.action ?? "annotate";
    const given = person();
    if (!given || !state.key) return;
    if (action === "move" && !pending()) return;
    await keep(action === "move" ? movesAsEdits() : [{ action }], given, state.key, state.seen);
  }),
);
// A line break belongs in the reason; a decision is made with its button alone.
at("who").addEventListener("keydown", (event) => event.key === "Enter" && event.preventDefault());

for (const part of PARTS) {
  typedInto(at(`${part}-ms`), () => true, "An instant is a number of milliseconds, or empty.", (ms) => moved(part, ms));
  typedInto(at(`${part}-u`), (u) => u > 0, "A standard uncertainty is a number of milliseconds above zero, or empty.", (u) => stated(part, u));
  document.querySelector(`[data-back="${part}"]`).addEventListener("click", () => {
    delete state.us[part];
    moved(part, state.reading.instants[part].ms);
  });
}

for (const radio of document.querySelectorAll("[name=axis]")) {
  radio.addEventListener(
    "change",
    guarded(async () => {
      state.axis = radio.value;
      const kept = { ...state.moves };
      await own.show("own", state.reading, state.axis, kept);
      if (state.beside) await besides();
    }),
  );
}
for (const button of document.querySelectorAll("[data-range]")) button.addEventListener("click", () => own.go(button.dataset.range));
at("which").addEventListener("change", () => {
  state.which = at("which").value;
  list();
});
at("beside").addEventListener(
  "change",
  guarded(async () => {
    state.beside = at("beside").value;
    await besides();
  }),
);

async function besides() {
  const [of, key] = state.beside.split(" ");
  other.root.hidden = !state.beside;
  at("panes").classList.toggle("two", Boolean(state.beside));
  if (!state.beside) return;
  await other.show(of, await api.reading(of, key), state.axis);
  follow(other, own.range, own.axis);
}

at("write").addEventListener(
  "click",
  guarded(async () => {
    await api.write();
    await refresh();
    say("Tables and report are written.", true);
  }),
);
at("who").value = sessionStorage.getItem("who") ?? "";
at("who").addEventListener("change", () => sessionStorage.setItem("who", at("who").value));

// Others may edit the same result: what they decided is seen within seconds.
setInterval(async () => {
  if (document.hidden || state.told === null) return;
  try {
    const news = await refresh();
    if (news && state.key && !pending()) await load();
  } catch (error) {
    say(error.message);
  }
}, 2500);

guarded(async () => {
  await refresh();
  const keys = state.told.readings.map((r) => r.key);
  const wanted = location.hash.slice(1);
  await choose(keys.includes(wanted) ? wanted : keys[0]);
})();
