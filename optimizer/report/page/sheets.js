// The tables of the panels.

function lossTable(one, view) {
  const { detail, lane } = one;
  const kinds = [...new Set(Object.keys(detail.losses).map((key) => key.split(" | ")[1]))]
    .filter((kind) => Object.entries(detail.losses).some(([key, list]) => key.endsWith(` | ${kind}`) && list[lane]));
  const parts = [...new Set(Object.keys(detail.losses).map((key) => key.split(" | ")[0]))];
  const watts = (part, kind) => detail.losses[`${part} | ${kind}`]?.[lane] ?? null;
  const sum = (part) => kinds.reduce((total, kind) => total + (watts(part, kind) ?? 0), 0);
  const show = (value) => (value ? fixed(value, 4) : "");
  const columns = [text("part", (part) => part),
    ...kinds.map((kind) => figure(kind, (part) => watts(part, kind), show)),
    figure("all", sum, (value) => fixed(value, 4))];
  const total = detail.loss_total[lane];
  const caption = `${view.sets.length > 1 ? `Set ${one.name.toUpperCase()}: ` : ""}losses [W], together ${fixed(total, 3)} W, ` +
    `efficiency ${percent(detail.efficiency[lane], 2)} %`;
  return table(columns, d3.sort(parts, (part) => -sum(part)), { caption, wide: true });
}

function missionTable(view) {
  const rows = view.sets.flatMap((one) => lanesOf(one.detail).share.map((share, k) => ({ one, share, k })).filter(({ share }) => share > 0));
  const lanes = (row) => lanesOf(row.one.detail);
  const total = (row) => row.one.detail.loss_mission;
  const weighed = (row) => row.share * row.one.detail.loss_total[row.k];
  const columns = [
    ...(view.sets.length > 1 ? [text("set", (row) => row.one.name.toUpperCase(), { className: (row) => row.one.name })] : []),
    text("operating point", (row) => lanes(row).title[row.k]),
    figure("input [V]", (row) => lanes(row).v_input[row.k], digits), figure("load [A]", (row) => lanes(row).i_output[row.k], digits),
    figure("time %", (row) => row.share, percent),
    figure("loss [W]", (row) => row.one.detail.loss_total[row.k], (v) => fixed(v, 4)),
    figure("share × loss [W]", weighed, (v) => fixed(v, 4)),
    figure("of the mission loss %", (row) => weighed(row) / total(row), percent, { cell: (row) => [bar(weighed(row) / total(row)), el("span", {}, percent(weighed(row) / total(row)))] }),
  ];
  return table(columns, rows, { caption: "Mission: shares of time × loss add up to the mission loss" });
}

function temperatureTable(one) {
  const lanes = lanesOf(one.detail);
  const parts = Object.keys(one.detail.temps);
  const worst = Object.fromEntries(parts.map((part) => [part, d3.max(one.detail.temps[part])]));
  const rows = d3.range(lanes.title.length);
  const columns = [
    text("operating point", (k) => lanes.title[k]),
    text("counts as", (k) => (lanes.transient[k] ? "transient" : lanes.guaranteed[k] ? "continuous" : "expected")),
    figure("air", (k) => lanes.temp_ambient[k], (v) => fixed(v, 0)),
    ...parts.map((part) => figure(part, (k) => one.detail.temps[part][k], (v) => fixed(v, 0),
      { className: (k) => (one.detail.temps[part][k] === worst[part] ? "worst" : "") })),
  ];
  return table(columns, rows, { caption: `Temperatures of set ${one.name.toUpperCase()} [°C]`, wide: true });
}

const WAVES = [
  ["coil current, mean", "i_mean", "A"], ["coil current, rms", "i_rms", "A"], ["coil ripple, peak to peak", "i_ripple", "A"],
  ["coil peak", "i_peak", "A"], ["coil valley", "i_valley", "A"], ["duty, input leg", "duty_input", "1"], ["duty, output leg", "duty_output", "1"],
  ["shortest on-time", "time_on_min", "s"], ["shortest off-time", "time_off_min", "s"],
  ["input bank current, rms", "i_bank_input", "A"], ["output bank current, rms", "i_bank_output", "A"], ["coupling bank current, rms", "i_bank_coupling", "A"],
  ["input ripple voltage, peak to peak", "v_ripple_input", "V"], ["output ripple voltage, peak to peak", "v_ripple_output", "V"], ["coupling ripple voltage, peak to peak", "v_ripple_coupling", "V"],
  ["input step of an ideal edge", "v_step_input", "V"], ["output step of an ideal edge", "v_step_output", "V"],
];

function waveTable(view) {
  const [first] = view.sets;
  const positions = Object.keys(first.detail.part_set.transistors).map((p) => [`${p} current, rms`, `i_rms ${p}`, "A"]);
  const known = ([, key]) => view.sets.some((one) => key in one.detail.waves);
  const rows = [...WAVES, ...positions].filter(known).map(([head, key, unit]) => ({ head, unit, get: (one) => one.detail.waves[key]?.[one.lane] }));
  for (const node of banksOf(first.detail))
    first.detail.branches?.[node].forEach((_, k) => rows.push({
      head: `one ${node} capacitor, rms`, unit: "A",
      part: (one) => one.detail.branches?.[node]?.[k]?.part_number, get: (one) => one.detail.branches?.[node]?.[k]?.i_rms[one.lane],
    }));
  const columns = [text("figure", (row) => row.head, { key: undefined })].concat(view.sets.map((one) => ({
    head: view.sets.length > 1 ? `set ${one.name.toUpperCase()}` : "value", num: true,
    cell: (row) => (one.lane < 0 || row.get(one) === null || row.get(one) === undefined ? MISSING : `${row.part ? `${row.part(one)}: ` : ""}${quantity(row.get(one), row.unit)}`),
  })));
  return table(columns, rows, { caption: `Figures at ${view.title}`, rowHeads: true });
}

function billTable(one) {
  const state = (line) => `${line.status}${line.filled.length ? `; filled: ${line.filled.join(", ")}` : ""}`;
  const columns = [
    text("position", (line) => line.positions.join(", ")), part((line) => line.part_number), text("maker", (line) => line.maker),
    text("pads", (line) => line.land_pattern), figure("a board", (line) => line.pieces, digits), figure("order", (line) => line.quantity, String),
    figure(`each ${data.currency}`, (line) => line.unit_price, (v) => fixed(v, 4)), figure(`line ${data.currency}`, (line) => line.line_price, (v) => fixed(v, 2)),
    figure("left over", (line) => line.excess, String), figure("stock", (line) => line.stock, (v) => (v === null ? MISSING : String(v))),
    figure("weeks", (line) => line.lead_time_weeks, digits), text("life cycle", state), text("catalog", (line) => line.place),
  ];
  return table(columns, one.detail.bill, { caption: `Parts of set ${one.name.toUpperCase()}, at the build quantity`, wide: true });
}

// For each bought part: another maker's part that passes in its place, or why there is none here.
function secondTable(one) {
  const rows = one.detail.bill.flatMap((line) => {
    const list = one.detail.alternates?.[line.part_number];
    const good = (list ?? []).filter((other) => other.passes);
    const why = !list ? "not looked at" : list.length ? `none of the ${list.length} verified passes` : "no like part of another maker on these pads";
    return good.length ? good.map((other) => ({ line, other })) : [{ line, why }];
  });
  const columns = [
    part((row) => row.line.part_number), text("position", (row) => row.line.positions.join(", ")),
    { ...part((row) => row.other?.part_number ?? row.why), head: "second source" }, text("maker", (row) => row.other?.maker ?? ""),
    figure(`each ${data.currency}`, (row) => row.other?.unit_price ?? null, (v) => (v === null ? "" : fixed(v, 4))),
    figure("set then costs", (row) => row.other?.cost ?? null, (v) => (v === null ? "" : fixed(v, 2))),
    figure("mission loss then [W]", (row) => row.other?.loss_mission ?? null, (v) => (v === null ? "" : fixed(v, 3))),
    figure("smallest margin then %", (row) => row.other?.margin ?? null, (v) => (v === null ? "" : percent(v))),
  ];
  return table(columns, rows, { caption: "Second sources, each verified alone in its place" });
}

function costTable(one) {
  const items = Object.entries(one.detail.cost_items).map(([name, cost]) => ({ name, cost }));
  items.push({ name: "together", cost: one.detail.cost });
  return table([text("cost a board", (row) => row.name, { key: undefined }), { head: data.currency, num: true, cell: (row) => fixed(row.cost, 4) }],
    items, { label: "Cost", rowHeads: true, rowClass: (row) => (row.name === "together" ? "total" : "") });
}

function numberTable(one, subject) {
  const titles = lanesOf(one.detail).title;
  const rows = one.detail.derivations.filter((row) => !subject || word(row[0]) === subject);
  const input = ([name, value, unit, origin, source]) =>
    el("li", {}, el("code", {}, word(name)), ` = ${quantity(value, word(unit))} `, el("span", { class: "note" }, `${word(origin)}: ${word(source)}`));
  const columns = [
    text("subject", (row) => word(row[0])), text("number", (row) => word(row[1])),
    figure("value", (row) => row[3], (v) => v, { cell: (row) => quantity(row[3], unitOf(row)) }),
    { head: "formula", cell: (row) => el("span", { class: "formula" }, word(row[5])) },
    { head: "inputs, and where they come from", cell: (row) => el("ul", { class: "inputs" }, ...row[6].map(input)) },
    text("at", (row) => (row[2] < 0 ? "every point" : titles[row[2]])),
  ];
  return table(columns, rows, { caption: `Numbers of set ${one.name.toUpperCase()}: ${rows.length}`, wide: true });
}

const unitOf = (row) => (word(row[4]) === "unit of the rating" ? word(row[6][0][2]) : word(row[4]));

function fileButtons(one, view) {
  const { detail, number } = one;
  const button = (words, make) => el("button", { type: "button", onclick: make }, words);
  const name = (what) => `point_${String(number).padStart(3, "0")}_${what}`;
  const found = [
    button("Parts list (CSV)", () => save(name("parts.csv"), detail.files.parts)),
    button("Summary for a mail (text)", () => save(name("summary.txt"), detail.files.summary)),
  ];
  if (detail.files.samples) found.splice(1, 0, button("Sample list (CSV)", () => save(name("samples.csv"), detail.files.samples)));
  if (detail.netlist && one.lane >= 0)
    found.push(button(`Netlist at ${view.title} (ngspice)`, () => save(name(`at_${one.lane}.cir`), netlistText(detail, one.lane))));
  return el("p", { class: "controls" }, ...found);
}

function netlistText(detail, lane) {
  const values = new Map(detail.netlist.names.map((name, k) => [name, detail.netlist.values[lane][k]]));
  values.set("title", lanesOf(detail).title[lane]);
  return detail.netlist.form.replace(/<(\w+)>/g, (all, name) => values.get(name) ?? all);
}
