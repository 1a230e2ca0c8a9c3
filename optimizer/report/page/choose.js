// What is chosen, and who hears of it.

const knee = data.points.find((point) => point.mark === "knee" && point.detail) ?? data.points.find((point) => point.detail);
const state = { a: knee?.number ?? null, b: null, lane: null, x: "cost", y: "loss", z: "", sets: "a", all: false, near: false, curve: "efficiency", subject: "" };
const detailed = data.points.filter((point) => point.detail);
const timings = { drawn: null, last: null };
window.partfront = { timings, data, state };

function view() {
  const sets = SETS.filter((name) => state[name] !== null).map((name) => ({ name, number: state[name], detail: detailOf(state[name]) }));
  const titles = lanesOf(sets[0].detail).title;
  const title = titles.includes(state.lane) ? state.lane : laneFirst(sets[0].detail);
  for (const one of sets) one.lane = lanesOf(one.detail).title.indexOf(title);
  return { sets, state, title };
}

// The mission point of most time, else the first one.
function laneFirst(detail) {
  const lanes = lanesOf(detail);
  const best = d3.maxIndex(lanes.share);
  return lanes.title[lanes.share[best] > 0 ? best : 0];
}

// --- the front, which is a panel and a control in one ------------------------------------------

PANELS.front = (body, shown, redraw) => {
  const change = (key) => (event) => { state[key] = event.target.value; redraw(); };
  const tick = (key) => (event) => { state[key] = event.target.checked; redraw(); };
  const axes = (key, ...first) => el("select", { id: `axis-${key}`, onchange: change(key) }, ...first,
    ...Object.keys(AXES).filter(isKept).map((name) => axisOption(name, state[key])));
  const radio = (name) => el("label", {}, el("input", { type: "radio", name: "sets", value: name, checked: state.sets === name, onchange: change("sets") }), ` set ${name.toUpperCase()}`);
  const controls = el("div", { class: "controls" },
    el("label", {}, "Upright ", axes("y")), el("label", {}, "Across ", axes("x")),
    el("label", {}, "Shade ", axes("z", option("", "nothing", state.z))),
    el("fieldset", {}, el("legend", {}, "A click chooses"), radio("a"), radio("b")),
    el("label", {}, el("input", { type: "checkbox", id: "near", checked: state.near, onchange: tick("near") }), " around set A only"),
    el("button", { type: "button", id: "drop-b", disabled: state.b === null, onclick: () => choose("b", null) }, "Drop set B"));
  const chart = frontChart(widthOf(body), state, state.near ? nearRange() : null);
  chart.addEventListener("click", (event) => clicked(chart, event));
  const holder = el("div", { class: "chart front-chart", tabindex: 0, role: "group", onkeydown: stepped,
    "aria-label": "Front. Arrow keys choose the next point as set A, with Shift as set B." }, chart);
  return [controls, topologyKey(), shadeKey(), el("figure", {}, holder, el("figcaption", {}, frontCaption())), frontTable(redraw)];
};

// Figures that the run keeps: an older archive has neither life nor failure rate.
const offersSense = data.points.some((p) => p.sense);
const isKept = (name) => {
  if (["life", "rate"].includes(name)) return data.points.some((p) => p.life_of !== null);
  return offersSense || !["sense", "both", "end"].includes(name);
};

// An axis to choose; one that no point has a value on says why.
function axisOption(name, chosen) {
  const some = data.points.some((p) => isNumber(AXES[name].get(p)));
  const why = data.points.every((p) => p.life_of === "") ? "no wear-out part" : "not known";
  const made = option(name, some ? AXES[name].label() : `${AXES[name].label()}: ${why}`, chosen);
  made.disabled = !some;
  return made;
}

function shadeKey() {
  if (!state.z) return null;
  const axis = AXES[state.z];
  const shades = shadesOf(data.points, axis);
  const item = (fill, words) => {
    const swatch = el("span", { class: "swatch", "aria-hidden": "true" });
    swatch.style.background = fill;
    return el("li", {}, swatch, words);
  };
  const ranges = shades.classes.map(({ fill, from, to }) => item(fill, from === to ? digits(from, 3) : `${digits(from, 3)} – ${digits(to, 3)}`));
  if (shades.unknown) ranges.push(item("#fff", state.z === "life" ? "no wear-out part, or not known" : "not known"));
  return el("ul", { class: "key", "aria-label": "Shades" }, el("li", {}, `${axis.label()}:`), ...ranges);
}

// Points that an axis leaves out because they have no such figure.
function leftOut() {
  const out = data.points.filter((p) => !isNumber(AXES[state.x].get(p)) || !isNumber(AXES[state.y].get(p)));
  if (!out.length) return "";
  const lasting = out.filter((p) => p.life_of === "").length;
  const why = lasting === out.length ? "they hold no part that wears out" : "they have no known figure on these axes";
  return `Not drawn: ${out.length} of ${data.points.length} points, ${why}. `;
}

function frontCaption() {
  const few = detailed.length < data.points.length;
  const band = AXES[state.y].band && state.x === "cost";
  return (band ? `Band: what boards may measure, ${digits(100 * data.band[0])} to +${digits(100 * data.band[1])} % of the loss. ` : "") +
    `${state.z ? "Joined" : "Hollow and joined"}: ties, closer than the state difference. ${leftOut()}` +
    (few ? `Large marks: the ${detailed.length} points kept in full; small ones keep one line.` : "");
}

function topologyKey() {
  const shapes = { circle: "●", square: "■", triangle: "▲", diamond: "◆" };
  const known = [...new Set(data.points.map((point) => point.topology))];
  return el("ul", { class: "key" }, ...known.map((name) => el("li", {}, `${shapes[topologyMark(name)]} ${name}`)));
}

function nearRange() {
  const get = AXES[state.x].get;
  const values = data.points.map(get);
  const reach = (d3.max(values) - d3.min(values)) / 12;
  const at = get(pointOf(state.a));
  return [at - reach, at + reach];
}

function clicked(chart, event) {
  const [x, y] = [chart.scale("x"), chart.scale("y")];
  const box = chart.getBoundingClientRect();
  const scale = chart.viewBox.baseVal.width / box.width;
  const [px, py] = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
  const far = (p) => Math.hypot(x.apply(AXES[state.x].get(p)) - px, y.apply(AXES[state.y].get(p)) - py);
  const near = d3.least(detailed.filter((p) => Number.isFinite(far(p))), far);
  if (near && far(near) < 40) choose(event.shiftKey ? "b" : state.sets, near.number);
}

function stepped(event) {
  const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
  if (!step) return;
  event.preventDefault();
  const name = event.shiftKey ? "b" : "a";
  const at = detailed.findIndex((point) => point.number === (state[name] ?? state.a));
  const next = detailed[Math.max(0, Math.min(detailed.length - 1, at + step))];
  choose(name, next.number);
  document.querySelector(".front-chart").focus({ preventScroll: true });
}

const lifeCell = (p) => (p.life_of === "" ? "no wear" : `${lifeText(p)}${p.life_of?.startsWith("seal of") ? " seal" : ""}`);

function frontTable(redraw) {
  const rows = data.points.filter((p) => state.all || p.shown || p.number === state.a || p.number === state.b);
  const [low, high] = data.band;
  const pick = (p, name) => el("button", { type: "button", "aria-label": `Point ${p.number} as set ${name.toUpperCase()}`, onclick: () => choose(name, p.number) }, name.toUpperCase());
  const columns = [
    { head: "choose", cell: (p) => (p.detail ? [pick(p, "a"), " ", pick(p, "b")] : "one line kept"), kind: "screen pick" },
    figure("point", (p) => p.number, String), text("mark", (p) => p.mark), figure(`cost ${data.currency}`, (p) => p.cost, (v) => fixed(v, 2)),
    figure("loss [W]", (p) => p.loss, (v) => fixed(v, 3)),
    ...(offersSense ? [figure("sense [mΩ]", (p) => 1e3 * p.sense.resistance, (v) => digits(v, 3)), figure("with its loss [W]", (p) => p.sense.loss_with, (v) => fixed(v, 3)), { head: "charging ends [A]", num: true, cell: endText }] : []),
    { head: "may measure [W]", num: true, cell: (p) => `${fixed(p.loss * (1 + low), 2)} – ${fixed(p.loss * (1 + high), 2)}` },
    figure("worst loss [W]", (p) => p.worst, (v) => fixed(v, 2)), figure("hottest [°C]", (p) => p.hot, (v) => fixed(v, 0)),
    figure("stress margin %", (p) => p.tight, percent), figure("area [mm²]", (p) => p.area, (v) => fixed(1e6 * v, 0)),
    ...(isKept("life") ? [figure("life [years]", (p) => p.life, String, { cell: lifeCell })] : []),
    ...(["rate", "height"].includes(state.z) ? [figure(AXES[state.z].label(), AXES[state.z].get, (v) => fixed(v, 1))] : []),
    figure("tie group", (p) => (p.tie >= 0 ? p.tie : null), (v) => (v === null ? "" : String(v))),
    text("stage", (p) => `${p.topology}, ${kilohertz(p.frequency)}`, { kind: "stage" }), { ...part((p) => p.inductor), head: "inductor" }, text("proof", (p) => p.proof.replace("+", " + ")),
  ];
  const all = el("label", {}, el("input", { type: "checkbox", id: "all-points", checked: state.all, onchange: (event) => { state.all = event.target.checked; redraw(); } }), ` all ${data.points.length} points`);
  return el("div", {}, el("div", { class: "controls" }, all),
    table(columns, rows, { caption: `${rows.length} of ${data.points.length} points`, wide: true,
      rowClass: (p) => (p.number === state.a ? "chosen-a" : p.number === state.b ? "chosen-b" : "") }));
}

// --- choosing ---------------------------------------------------------------------------------

function choose(name, number) {
  if (name === "b" && number === state.a) number = null;
  if (name === "a" && number === state.b) state.b = null;
  state[name] = number;
  update();
}

function draw(name, shown) {
  const body = document.getElementById(`${name}-body`);
  body.replaceChildren(...PANELS[name](body, shown, () => draw(name, view())).filter(Boolean));
}

const inSight = (name) => {
  const box = document.getElementById(name).getBoundingClientRect();
  return box.bottom > 0 && box.top < window.innerHeight;
};

let turn = 0;

// What can be seen is drawn at once, the rest panel by panel right after.
function update(everything = false) {
  const begin = performance.now();
  const shown = view();
  fillChoosers(shown);
  const names = Object.keys(PANELS);
  const now = names.filter((name) => everything || inSight(name));
  now.forEach((name) => draw(name, shown));
  timings.last = { seen: performance.now() - begin, all: null };
  const rest = names.filter((name) => !now.includes(name));
  const mine = ++turn;
  const next = () => {
    if (mine !== turn) return;
    if (rest.length) { draw(rest.shift(), shown); setTimeout(next); } else timings.last.all = performance.now() - begin;
  };
  next();
}

function fillChoosers(shown) {
  const words = (p) => `${p.number}${p.mark ? ` ${p.mark}` : ""}: ${fixed(p.cost, 2)} ${data.currency}, ${fixed(p.loss, 3)} W`;
  for (const name of SETS) {
    const none = name === "b" ? [option("", "none", "x")] : [];
    document.getElementById(`choose-${name}`).replaceChildren(...none, ...detailed.map((p) => option(String(p.number), words(p), String(state[name]))));
  }
  document.getElementById("choose-lane").replaceChildren(...lanesOf(shown.sets[0].detail).title.map((title) => option(title, title, shown.title)));
}

for (const name of SETS)
  document.getElementById(`choose-${name}`).addEventListener("change", (event) => choose(name, event.target.value ? Number(event.target.value) : null));
document.getElementById("choose-lane").addEventListener("change", (event) => { state.lane = event.target.value; update(); });
window.addEventListener("resize", () => { clearTimeout(window.partfront.resized); window.partfront.resized = setTimeout(() => update(true), 150); });
window.addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((one) => { one.dataset.was = one.open; one.open = true; }));
window.addEventListener("afterprint", () => document.querySelectorAll("details").forEach((one) => { one.open = one.dataset.was === "true"; }));

if (state.a !== null) update(true);
timings.drawn = performance.now();
