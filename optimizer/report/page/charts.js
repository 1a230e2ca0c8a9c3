// Charts of the front, the limit chain, efficiency and losses.

const STYLE = { fontFamily: "inherit", fontSize: "12px", color: COLOUR.ink, background: "transparent", overflow: "visible" };
const widthOf = (body) => Math.max(300, Math.min(body.clientWidth || 960, 1000));

const AXES = {
  cost: { label: () => `cost a board [${data.currency}]`, get: (p) => p.cost },
  loss: { label: () => (data.objective === "worst-point" ? "worst loss [W]" : "mission loss [W]"), get: (p) => p.loss, band: true },
  worst: { label: () => "worst loss, guaranteed [W]", get: (p) => p.worst, band: true },
  hot: { label: () => "hottest part [°C]", get: (p) => p.hot },
  tight: { label: () => "smallest stress margin [%]", get: (p) => 100 * p.tight },
  area: { label: () => "board area [mm²]", get: (p) => 1e6 * p.area },
  height: { label: () => "tallest part [mm]", get: (p) => 1e3 * p.height },
  life: { label: () => "shortest bank life [years]", get: (p) => p.life },
  rate: { label: () => "failure rate [1/10⁶ h]", get: (p) => p.rate },
  sense: { label: () => "charge-current sense [mΩ]", get: (p) => 1e3 * p.sense?.resistance },
  both: { label: () => "loss with that of the charge-current sense [W]", get: (p) => p.sense?.loss_with },
  end: { label: () => "error of the end of charge [A]", get: (p) => p.sense?.i_end_max - p.sense?.i_end },
};
const isNumber = (value) => value !== null && value !== undefined && Number.isFinite(value);

// A third figure shades the marks in so many classes, light to dark: also on paper and without colour.
const SHADES = ["#e3ebf0", "#a9c2d1", "#5d8aa6", "#0f3c5a"];

function shadesOf(points, axis) {
  const values = points.map(axis.get).filter(isNumber);
  const [low, high] = d3.extent(values);
  const width = (high - low) / SHADES.length;
  const classOf = (value) => (width ? Math.min(SHADES.length - 1, Math.floor((value - low) / width)) : SHADES.length - 1);
  return {
    fill: (p) => (isNumber(axis.get(p)) ? SHADES[classOf(axis.get(p))] : "#fff"),
    classes: width ? SHADES.map((fill, k) => ({ fill, from: low + k * width, to: low + (k + 1) * width })) : [{ fill: SHADES.at(-1), from: low, to: high }],
    unknown: values.length < points.length,
    any: values.length > 0,
  };
}

function frontChart(width, state, range) {
  const [x, y] = [AXES[state.x], AXES[state.y]];
  const known = (p) => isNumber(x.get(p)) && isNumber(y.get(p));
  let points = data.points.filter(known);
  if (range) points = points.filter((p) => x.get(p) >= range[0] && x.get(p) <= range[1]);
  const [low, high] = data.band;
  const joined = x === AXES.cost || y === AXES.cost;
  const marks = [Plot.frame({ stroke: COLOUR.line })];
  if (y.band && x === AXES.cost)
    marks.push(Plot.areaY(points, { x: x.get, y1: (p) => y.get(p) * (1 + low), y2: (p) => y.get(p) * (1 + high), fill: "#e9e7df", curve: "step-after" }));
  if (joined && ["loss", "both"].includes(state.y))
    marks.push(Plot.line(points, { x: x.get, y: y.get, z: (p) => p.sense?.resistance, stroke: COLOUR.line, curve: "step-after" }));
  marks.push(Plot.line(points.filter((p) => p.tie >= 0), { x: x.get, y: y.get, z: "tie", stroke: "#9aa4ad", strokeWidth: 3 }));
  const dots = { x: x.get, y: y.get, symbol: (p) => topologyMark(p.topology) };
  const shades = state.z ? shadesOf(data.points, AXES[state.z]) : null;
  const plain = (p) => (p.tie >= 0 ? "#fff" : COLOUR.ink);
  marks.push(Plot.dot(points.filter((p) => !p.detail), { ...dots, r: shades ? 2.4 : 1.6, stroke: "#9aa4ad", strokeWidth: 0.8, fill: shades?.fill ?? "none" }));
  marks.push(Plot.dot(points.filter((p) => p.detail), { ...dots, r: shades ? 4 : 3.2, stroke: COLOUR.ink, fill: shades?.fill ?? plain }));
  marks.push(Plot.text(points.filter((p) => p.mark), { x: x.get, y: y.get, text: "mark", dy: -12, textAnchor: "start", dx: 4, fontWeight: 600, stroke: "#fff", fill: COLOUR.ink, strokeWidth: 4 }));
  for (const name of SETS) {
    const chosen = points.filter((p) => p.number === state[name]);
    marks.push(Plot.dot(chosen, { x: x.get, y: y.get, r: 9, stroke: COLOUR[name], strokeWidth: 2.5, symbol: name === "a" ? "circle" : "diamond" }));
    marks.push(Plot.text(chosen, { x: x.get, y: y.get, text: () => name.toUpperCase(), dx: name === "a" ? -16 : 16, dy: name === "a" ? 8 : 12, fill: COLOUR[name], stroke: "#fff", strokeWidth: 4, fontWeight: 700, fontSize: 14 }));
  }
  marks.push(Plot.tip(points, Plot.pointer({ x: x.get, y: y.get, maxRadius: 24, title: (p) => pointLine(p, state.z) })));
  return Plot.plot({
    width, height: Math.min(460, Math.max(300, width * 0.5)), marginLeft: 52, marginBottom: 46, marginRight: 64, style: STYLE,
    x: { label: x.label(), labelArrow: "none", labelAnchor: "center", labelOffset: 40, nice: true },
    y: { label: y.label(), labelArrow: "none", grid: true, nice: true }, symbol: { type: "identity" }, marks,
  });
}

function pointLine(p, third) {
  const [low, high] = data.band;
  const more = third ? `\n${AXES[third].label()}: ${third === "life" ? lifeText(p) : digits(AXES[third].get(p))}` : "";
  const tie = p.tie >= 0 ? `\ntie group ${p.tie}` : "";
  return `point ${p.number}${p.mark ? `, ${p.mark}` : ""}: ${fixed(p.cost, 2)} ${data.currency}, ${fixed(p.loss, 3)} W ` +
    `(${fixed(p.loss * (1 + low), 2)} to ${fixed(p.loss * (1 + high), 2)} W)\n` +
    `${p.topology}, ${kilohertz(p.frequency)}, ${p.inductor}${senseLine(p)}${more}${tie}${p.detail ? "" : "\none line kept"}`;
}

// What a point with one of several charge-current senses says of it.
const endText = (p) => `${digits(p.sense.i_end_min, 3)} – ${digits(p.sense.i_end_max, 3)}`;
const senseLine = (p) => (p.sense ? `\nsense ${digits(1e3 * p.sense.resistance, 3)} mΩ, with its loss ${fixed(p.sense.loss_with, 3)} W, charging ends at ${endText(p)} A` : "");

// Years and what has them; a set may hold no part that wears out, or one of unknown life.
function lifeText(p, part = false) {
  if (p.life_of === "") return "no wear-out part";
  return `${isNumber(p.life) ? fixed(p.life, 1) : "not known"}${part ? `, ${p.life_of}` : ""}`;
}

// The chain as three bars on one axis of current, with the room between them.
function chainChart(width, name, chain) {
  const end = 1.08 * Math.max(chain.i_saturation, chain.i_limit_delayed, chain.i_peak_needed);
  const rows = ["needed peak", "limit acts", "saturated, hot"];
  const bars = [
    { row: rows[0], from: 0, to: chain.i_peak_needed, fill: COLOUR[name] },
    { row: rows[1], from: chain.i_limit_min, to: chain.i_limit_max, fill: COLOUR.soft },
    { row: rows[1], from: chain.i_limit_max, to: chain.i_limit_delayed, fill: "#b8bfc5" },
    { row: rows[2], from: chain.i_saturation, to: end, fill: "#1c2530" },
  ];
  const room = [
    { row: rows[0], from: chain.i_peak_needed, to: chain.i_limit_min },
    { row: rows[1], from: chain.i_limit_delayed, to: chain.i_saturation },
  ];
  const labels = [
    { row: rows[0], at: chain.i_peak_needed, side: "end", text: `${fixed(chain.i_peak_needed, 2)} A` },
    { row: rows[1], at: chain.i_limit_min, side: "end", text: `${fixed(chain.i_limit_min, 2)} A` },
    { row: rows[1], at: chain.i_limit_delayed, side: "below", text: `${fixed(chain.i_limit_max, 2)} A, with delay ${fixed(chain.i_limit_delayed, 2)} A` },
    { row: rows[2], at: chain.i_saturation, side: "end", text: `${fixed(chain.i_saturation, 2)} A` },
  ];
  const inside = (l) => l.row === rows[0];
  return Plot.plot({
    width, height: 178, marginLeft: 96, marginRight: 24, marginTop: 6, marginBottom: 44, style: STYLE,
    x: { domain: [0, end], label: "coil current [A]", labelArrow: "none", labelAnchor: "center", labelOffset: 38 },
    y: { domain: rows, label: null, tickSize: 0, padding: 0.42 },
    marks: [
      Plot.barX(bars, { y: "row", x1: "from", x2: "to", fill: "fill" }),
      Plot.ruleX([chain.i_limit_min, chain.i_saturation], { stroke: COLOUR.ink, strokeDasharray: "2,3" }),
      Plot.link(room, { y1: "row", y2: "row", x1: "from", x2: "to", stroke: (r) => (r.to < r.from ? "#8f1d1d" : COLOUR.ink), strokeWidth: 1.5 }),
      Plot.text(labels.filter(inside), { y: "row", x: "at", dx: -6, text: "text", textAnchor: "end", fill: "#fff" }),
      Plot.text(labels.filter((l) => !inside(l) && l.side === "end"), { y: "row", x: "at", dx: -6, text: "text", textAnchor: "end", stroke: "#fff", fill: COLOUR.ink, strokeWidth: 4 }),
      Plot.text(labels.filter((l) => l.side === "below"), { y: "row", x: "at", dy: 22, text: "text", textAnchor: "end", stroke: "#fff", fill: COLOUR.ink, strokeWidth: 4 }),
    ],
  });
}

// The curves of a stage by number: phases of charging by name, or levels of load.
function curvesOf(shape) {
  const levels = [...new Set(shape.sweep_load)];
  const of = shape.sweep_curve ?? shape.sweep_load.map((load) => levels.indexOf(load));
  const curves = (shape.curves ?? levels.map(() => ["", null, null])).map(([name, amps, volts], k) => {
    const load = shape.sweep_load[of.indexOf(k)] ?? null;
    return { name, amps, volts, load, label: name || `${digits(100 * load)} %` };
  });
  return { of, curves };
}

// Whether all curves have one output voltage, and so one input for each region boundary.
const sharedOutput = (sets) =>
  new Set(sets.flatMap(({ detail }) => curvesOf(data.shapes[detail.shape]).curves.map((one) => one.volts))).size === 1;

const NARROW = 560;
const NAME_MOST = 24;
const isNamed = (curves) => curves.some((one) => one.name);

function efficiencyChart(width, sets, what) {
  const every = sets.flatMap(({ name, detail }) => {
    const shape = data.shapes[detail.shape];
    const { of, curves } = curvesOf(shape);
    return shape.sweep_v_input.map((volts, k) => ({
      name, volts, load: shape.sweep_load[k], region: shape.sweep_region[k], curve: of[k], ...shortLabel(curves, of[k], width),
      value: what === "loss" ? detail.sweep.loss[k] : detail.sweep.efficiency[k] === null ? null : 100 * detail.sweep.efficiency[k],
    }));
  });
  const lines = every.filter((point) => point.value !== null);
  const runs = [...d3.group(lines, (p) => `${p.name} ${p.curve}`).values()].map((run) => d3.sort(run, (p) => p.volts));
  const ends = runs.map((run) => run.at(-1)).filter((p) => p.name === sets[0].name);
  // where curves break at boundaries of their own, every piece is named
  const starts = runs.flatMap((run) => [...d3.group(run, (p) => p.region).values()].slice(0, -1).map((piece) => piece[0])).filter((p) => p.name === sets[0].name);
  const edges = runs.flatMap((run) => d3.pairs(run).filter(([one, other]) => one.region !== other.region).map(([one]) => one));
  const tick = 0.02 * (d3.max(lines, (p) => p.value) - d3.min(lines, (p) => p.value));
  const boundaries = sharedOutput(sets)
    ? Plot.ruleX([...new Set(edges.map((p) => p.volts))], { stroke: COLOUR.soft, strokeDasharray: "2,3" })
    : Plot.ruleX(edges, { x: "volts", y1: (p) => p.value - tick, y2: (p) => p.value + tick, stroke: COLOUR.ink, strokeWidth: 2 });
  const chart = Plot.plot({
    width, height: 330, marginLeft: 52, marginRight: 20 + 7 * d3.max(ends, (p) => Math.max(6, p.label.length)), marginBottom: 46, style: STYLE,
    x: { label: "input voltage [V]", labelArrow: "none", labelAnchor: "center", labelOffset: 40, nice: true },
    y: { label: what === "loss" ? "loss [W]" : "efficiency [%]", labelArrow: "none", grid: true, nice: true },
    marks: [
      Plot.frame({ stroke: COLOUR.line }),
      ...sets.map(({ name }) => Plot.line(lines.filter((p) => p.name === name), {
        x: "volts", y: "value", z: (p) => `${p.curve} ${p.region}`, stroke: COLOUR[name], strokeWidth: (p) => 1 + 1.4 * p.load,
        strokeDasharray: name === "b" ? "6,4" : null,
      })),
      boundaries,
      sharedOutput(sets) ? regionNames(lines) : null,
      Plot.text(spaced(ends, lines), { x: "volts", y: "at", dx: 6, textAnchor: "start", text: "label" }),
      Plot.text(sharedOutput(sets) ? [] : starts, { x: "volts", y: "value", dy: -8, textAnchor: "start", text: "label", stroke: "#fff", strokeWidth: 4, fill: COLOUR.ink, className: "pieces" }),
    ],
  });
  chart.querySelector(".pieces")?.setAttribute("aria-label", "names of pieces");
  return chart;
}

// Each region by name above the frame, where there is room for it.
function regionNames(lines) {
  const [low, high] = d3.extent(lines, (p) => p.volts);
  const spans = [...d3.group(lines, (p) => p.region)].map(([region, run]) => [region, ...d3.extent(run, (p) => p.volts)]);
  const wide = spans.filter(([, from, to]) => to - from > 0.12 * (high - low));
  return Plot.text(wide, { x: ([, from, to]) => (from + to) / 2, frameAnchor: "top", dy: -12, text: ([region]) => regionName(region), fill: COLOUR.soft });
}

// Names at the ends of curves; where there is no room, their numbers in the list below.
function shortLabel(curves, k, width) {
  const room = width >= NARROW && curves.every((one) => one.name.length <= NAME_MOST);
  return { label: isNamed(curves) && !room ? String(k + 1) : curves[k].label };
}

// Labels at the ends of lines, pushed apart where they would lie on each other.
function spaced(ends, lines) {
  const sorted = [...ends].sort((one, other) => one.value - other.value);
  const gap = (d3.max(lines, (p) => p.value) - d3.min(lines, (p) => p.value)) / 17;
  sorted.forEach((p, k) => { p.at = k ? Math.max(p.value, sorted[k - 1].at + gap) : p.value; });
  return sorted;
}

function lossChart(width, sets, values) {
  const parts = [...new Set(sets.flatMap(({ detail }) => Object.keys(detail.losses).map((key) => key.split(" | ")[0])))];
  const rows = sets.flatMap(({ name, detail }) => parts.map((part) => ({
    name, part, watts: d3.sum(Object.entries(detail.losses).filter(([key]) => key.split(" | ")[0] === part), ([, list]) => values(detail, list)),
  })));
  const order = d3.sort(parts, (part) => -d3.max(rows.filter((row) => row.part === part), (row) => row.watts));
  return Plot.plot({
    width, height: 48 + order.length * (sets.length > 1 ? 34 : 22), marginLeft: 104, marginRight: 60, marginTop: 8, marginBottom: 40, style: STYLE,
    x: { label: "loss [W]", labelArrow: "none", labelAnchor: "center", labelOffset: 36, grid: true, ticks: 7 },
    fy: { domain: order, label: null, axis: "left" }, y: { axis: null, padding: 0.15, domain: sets.map((one) => one.name) },
    marks: [
      Plot.barX(rows, { fy: "part", y: "name", x: "watts", fill: (row) => COLOUR[row.name] }),
      Plot.text(rows, { fy: "part", y: "name", x: "watts", dx: 5, textAnchor: "start", text: (row) => `${sets.length > 1 ? `${row.name.toUpperCase()} ` : ""}${fixed(row.watts, 3)}` }),
    ],
  });
}
