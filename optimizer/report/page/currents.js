// Waveforms of one period from their break points, and the plain figure of a stage.

// Edges in time of the intervals that last.
function intervals(detail, lane) {
  const { duration, i_coil: coil, time_pattern: period } = detail.traces;
  let share = 0;
  return duration[lane].map((length, k) => {
    const from = share;
    share += length;
    return { k, length, from: from * period[lane], to: share * period[lane], first: coil[lane][k], last: coil[lane][k + 1] };
  }).filter((one) => one.length > 0);
}

// Break points of a current that is a share of the coil current in each interval and a constant
// beside it, less a mean.
function broken(pieces, shares, sign = 1, mean = 0, beside = () => 0) {
  return pieces.flatMap(({ k, from, to, first, last }) => [
    { time: from, value: sign * (shares[k] * first + beside(k) - mean) },
    { time: to, value: sign * (shares[k] * last + beside(k) - mean) },
  ]);
}

function meanOf(pieces, shares, beside) {
  return d3.sum(pieces, ({ k, length, first, last }) => length * (shares[k] * (first + last) / 2 + beside(k)));
}

function rippleOf(detail, lane, node) {
  const [unit, ...pairs] = detail.traces.ripple[node][lane];
  const step = detail.traces.time_pattern[lane] / 1000;
  return d3.range(0, pairs.length, 2).map((k) => ({ time: pairs[k] * step, value: pairs[k + 1] * unit }));
}

// Every trace of a set at an operating point: title, unit and break points.
function traces(detail, lane) {
  const shape = data.shapes[detail.shape];
  const pieces = intervals(detail, lane);
  const ones = shape.input_current[lane].map(() => 1);
  const two = Object.keys(shape.apart ?? {}).length > 0;
  const beside = (name) => (two ? (k) => shape.apart[name][lane][k] * detail.traces.i_apart[lane] : () => 0);
  const found = [{ title: two ? "sum of both coil currents" : "coil current", unit: "A", points: broken(pieces, ones) }];
  for (const winding of two ? ["input-winding", "output-winding"] : [])
    found.push({ title: `${winding} current`, unit: "A", points: broken(pieces, ones.map(() => 0.5), 1, 0, beside(winding)) });
  for (const [position, shares] of Object.entries(shape.conducts))
    found.push({ title: `${position} current`, unit: "A", points: broken(pieces, shares[lane]) });
  for (const node of banksOf(detail)) {
    const shares = shape[`${node}_current`][lane];
    found.push({ title: `current into the ${node} bank`, unit: "A", points: broken(pieces, shares, node === "input" ? -1 : 1, meanOf(pieces, shares, beside(node)), beside(node)) });
  }
  for (const node of banksOf(detail))
    found.push({ title: `ripple voltage, ${node}`, unit: "V", points: rippleOf(detail, lane, node) });
  return found;
}

// Nodes where a bank stands.
const banksOf = (detail) => ["input", "output", ...(detail.part_set.bank_coupling?.length ? ["coupling"] : [])];

// One small chart for each trace; both sets on one axis of time.
function waveCharts(width, sets) {
  const all = sets.map(({ name, detail, lane }) => ({ name, list: lane < 0 ? [] : traces(detail, lane) }));
  const titles = [...new Set(all.flatMap(({ list }) => list.map((one) => one.title)))];
  const end = d3.max(all.flatMap(({ list }) => list.flatMap((one) => one.points.map((p) => p.time)))) ?? 1;
  return titles.map((title) => {
    const lines = all.flatMap(({ name, list }) => {
      const found = list.find((one) => one.title === title);
      return found ? [{ name, ...found }] : [];
    });
    const unit = lines[0].unit;
    const small = unit === "V" && d3.max(lines, (line) => d3.max(line.points, (p) => Math.abs(p.value))) < 1;
    const scale = small ? 1e3 : 1;
    const idle = lines.every((line) => line.points.every((p) => p.value === 0));
    const chart = Plot.plot({
      width, height: 112, marginLeft: 52, marginRight: 12, marginTop: 20, marginBottom: 24, style: STYLE,
      x: { domain: [0, end * 1e6], label: null, ticks: 6 },
      y: { ...(idle ? { domain: [0, 1] } : {}), label: `${title} [${small ? "mV" : unit}]`, labelArrow: "none", labelAnchor: "top", ticks: 4, grid: true, nice: true, zero: unit === "A" },
      marks: [
        Plot.ruleY([0], { stroke: COLOUR.soft, strokeWidth: 0.7 }),
        ...lines.map((line) => Plot.line(line.points, { x: (p) => p.time * 1e6, y: (p) => p.value * scale, stroke: COLOUR[line.name], strokeWidth: 1.6, strokeDasharray: line.name === "b" ? "6,4" : null })),
      ],
    });
    chart.setAttribute("aria-label", `${title}, one period`);
    return el("div", { class: "chart" }, chart);
  });
}

// --- the figure of a stage --------------------------------------------------------------------

const PLACES = {
  "input-bank": [62, 110], "input-high": [150, 44], "input-low": [205, 132], inductor: [290, 76],
  "input-diode": [205, 132], "output-diode": [508, 44], "sense-resistor": [376, 76], "output-low": [452, 132], "output-high": [508, 44], "output-bank": [598, 110],
};

// The same with two coils: the second one stands where both meet the rectifier.
const PLACES_TWO = {
  "input-bank": [62, 110], "input-winding": [150, 44], "output-low": [240, 94], "sense-resistor": [240, 150], "coupling-bank": [330, 44],
  "output-winding": [420, 132], "output-high": [508, 44], "output-diode": [508, 44], "output-bank": [598, 110],
};

function wiresOf(has) {
  const wires = ["M20 188 H640", "M62 44 V94", "M62 126 V188", "M542 44 H640", "M598 44 V94", "M598 126 V188"];
  if (has("coupling-bank"))
    return [...wires, "M20 44 H114", "M186 44 H296", "M240 44 V78", "M240 110 V134", "M240 166 V188", "M364 44 H474", "M420 44 V116", "M420 148 V188"];
  wires.push("M20 44 H116", has("input-high") ? "M184 44 H205 V76 H256" : "M116 44 H205 V76 H256",
    "M324 76 H340", "M412 76 H452", has("output-high") || has("output-diode") ? "M452 76 V44 H474" : "M452 76 V44 H542");
  if (has("input-low") || has("input-diode")) wires.push("M205 76 V116", "M205 148 V188");
  if (has("output-low")) wires.push("M452 76 V116", "M452 148 V188");
  return wires;
}

// Boxes with the names of the positions; no values, no part symbols: it only says what sits where.
function stageFigure(topology, positions) {
  const two = topology.endsWith("sepic");
  const has = (name) => positions.includes(name) || (two && name === "coupling-bank");
  const drawn = svg("svg", { viewBox: "0 0 660 214", width: 660, role: "img", "aria-label": `Positions of the ${topology} stage`, style: "max-width:100%;height:auto" });
  drawn.append(svg("path", { d: wiresOf(has).join(" "), fill: "none", stroke: COLOUR.soft, "stroke-width": 1.5 }));
  for (const [name, [x, y]] of Object.entries(two ? PLACES_TWO : PLACES)) {
    if (name.match(/(high|low|diode)$/) && !has(name)) continue;
    const coil = name === "inductor" || name.endsWith("winding");
    const tall = coil || name === "sense-resistor" ? 72 : 68;
    drawn.append(svg("rect", { x: x - tall / 2, y: y - 16, width: tall, height: 32, fill: "#fff", stroke: COLOUR.ink, "stroke-width": 1.4, rx: coil ? 16 : 1 }));
    drawn.append(label(x, y, name.split("-")));
  }
  for (const [x, word_] of [[20, "source"], [640, "load"]]) {
    const at = svg("text", { x, y: 34, "font-size": 12, fill: COLOUR.soft, "text-anchor": x < 100 ? "start" : "end" });
    at.textContent = word_;
    drawn.append(at, svg("circle", { cx: x, cy: 44, r: 3, fill: COLOUR.ink }), svg("circle", { cx: x, cy: 188, r: 3, fill: COLOUR.ink }));
  }
  return el("figure", { class: "chart" }, drawn, el("figcaption", {}, `Where the positions of the ${topology} stage sit.`));
}

function label(x, y, words) {
  const made = svg("text", { x, y: y + (words.length > 1 ? -2 : 4), "text-anchor": "middle", "font-size": 11.5, fill: COLOUR.ink });
  words.forEach((part, k) => {
    const span = svg("tspan", { x, dy: k ? 13 : 0 });
    span.textContent = part;
    made.append(span);
  });
  return made;
}
