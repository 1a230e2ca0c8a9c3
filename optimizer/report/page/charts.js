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
};

function frontChart(width, state, range) {
  const [x, y] = [AXES[state.x], AXES[state.y]];
  const known = (p) => Number.isFinite(x.get(p)) && Number.isFinite(y.get(p));
  let points = data.points.filter(known);
  if (range) points = points.filter((p) => x.get(p) >= range[0] && x.get(p) <= range[1]);
  const [low, high] = data.band;
  const joined = x === AXES.cost || y === AXES.cost;
  const marks = [Plot.frame({ stroke: COLOUR.line })];
  if (y.band && x === AXES.cost)
    marks.push(Plot.areaY(points, { x: x.get, y1: (p) => y.get(p) * (1 + low), y2: (p) => y.get(p) * (1 + high), fill: "#e9e7df", curve: "step-after" }));
  if (joined && state.y === "loss")
    marks.push(Plot.line(points, { x: x.get, y: y.get, stroke: COLOUR.line, curve: "step-after" }));
  marks.push(Plot.line(points.filter((p) => p.tie >= 0), { x: x.get, y: y.get, z: "tie", stroke: "#9aa4ad", strokeWidth: 3 }));
  const dots = { x: x.get, y: y.get, symbol: (p) => topologyMark(p.topology) };
  marks.push(Plot.dot(points.filter((p) => !p.detail), { ...dots, r: 1.6, stroke: "#9aa4ad", strokeWidth: 0.8 }));
  marks.push(Plot.dot(points.filter((p) => p.detail), { ...dots, r: 3.2, stroke: COLOUR.ink, fill: (p) => (p.tie >= 0 ? "#fff" : COLOUR.ink) }));
  marks.push(Plot.text(points.filter((p) => p.mark), { x: x.get, y: y.get, text: "mark", dy: -12, textAnchor: "start", dx: 4, fontWeight: 600, stroke: "#fff", fill: COLOUR.ink, strokeWidth: 4 }));
  for (const name of SETS) {
    const chosen = points.filter((p) => p.number === state[name]);
    marks.push(Plot.dot(chosen, { x: x.get, y: y.get, r: 9, stroke: COLOUR[name], strokeWidth: 2.5, symbol: name === "a" ? "circle" : "diamond" }));
    marks.push(Plot.text(chosen, { x: x.get, y: y.get, text: () => name.toUpperCase(), dx: name === "a" ? -16 : 16, dy: name === "a" ? 8 : 12, fill: COLOUR[name], stroke: "#fff", strokeWidth: 4, fontWeight: 700, fontSize: 14 }));
  }
  marks.push(Plot.tip(points, Plot.pointer({ x: x.get, y: y.get, maxRadius: 24, title: pointLine })));
  return Plot.plot({
    width, height: Math.min(460, Math.max(300, width * 0.5)), marginLeft: 52, marginBottom: 46, marginRight: 64, style: STYLE,
    x: { label: x.label(), labelArrow: "none", labelAnchor: "center", labelOffset: 40, nice: true },
    y: { label: y.label(), labelArrow: "none", grid: true, nice: true }, symbol: { type: "identity" }, marks,
  });
}

function pointLine(p) {
  const [low, high] = data.band;
  const tie = p.tie >= 0 ? `\ntie group ${p.tie}` : "";
  return `point ${p.number}${p.mark ? `, ${p.mark}` : ""}: ${fixed(p.cost, 2)} ${data.currency}, ${fixed(p.loss, 3)} W ` +
    `(${fixed(p.loss * (1 + low), 2)} to ${fixed(p.loss * (1 + high), 2)} W)\n` +
    `${p.topology}, ${kilohertz(p.frequency)}, ${p.inductor}${tie}${p.detail ? "" : "\none line kept"}`;
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

function efficiencyChart(width, sets, what) {
  const lines = sets.flatMap(({ name, detail }) => {
    const shape = data.shapes[detail.part_set.topology];
    return shape.sweep_v_input.map((volts, k) => ({
      name, volts, load: shape.sweep_load[k], region: shape.sweep_region[k],
      value: what === "loss" ? detail.sweep.loss[k] : detail.sweep.efficiency[k] === null ? null : 100 * detail.sweep.efficiency[k],
    }));
  }).filter((point) => point.value !== null);
  const ends = [...d3.group(lines, (p) => p.name + p.load).values()].map((group) => group.at(-1)).filter((p) => p.name === sets[0].name);
  const edges = [...d3.group(lines, (p) => p.region).values()].map((group) => d3.max(group, (p) => p.volts)).sort(d3.ascending).slice(0, -1);
  const dash = { name: "a", b: "6,4" };
  return Plot.plot({
    width, height: 330, marginLeft: 52, marginRight: 62, marginBottom: 46, style: STYLE,
    x: { label: "input voltage [V]", labelArrow: "none", labelAnchor: "center", labelOffset: 40, nice: true },
    y: { label: what === "loss" ? "loss [W]" : "efficiency [%]", labelArrow: "none", grid: true, nice: true },
    marks: [
      Plot.frame({ stroke: COLOUR.line }),
      Plot.ruleX(edges, { stroke: COLOUR.soft, strokeDasharray: "2,3" }),
      ...sets.map(({ name }) => Plot.line(lines.filter((p) => p.name === name), {
        x: "volts", y: "value", z: (p) => `${p.load} ${p.region}`, stroke: COLOUR[name], strokeWidth: (p) => 1 + 1.4 * p.load,
        strokeDasharray: name === "b" ? dash.b : null,
      })),
      Plot.text(spaced(ends, lines), { x: "volts", y: "at", dx: 6, textAnchor: "start", text: (p) => `${digits(100 * p.load)} %` }),
    ],
  });
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
