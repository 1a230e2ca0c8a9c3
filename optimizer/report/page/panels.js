// What each panel shows of the chosen sets. A panel is a function (body, view) -> elements.
// view = { sets: [{ name, number, detail, lane }], state }

const setTitle = ({ name, number }) => `Set ${name.toUpperCase()}, point ${number}`;
const heading = (view, one, words = "") =>
  view.sets.length > 1 ? el("h3", { class: one.name }, `${setTitle(one)}${words}`) : null;

const PANELS = {
  sets(body, view) {
    const [low, high] = data.band;
    const line = (head, get) => ({ head, get });
    const lines = [
      line("point", (d, p) => `${p.number}${p.mark ? ` (${p.mark})` : ""}${p.tie >= 0 ? `, tie group ${p.tie}` : ""}`),
      line("topology", (d, p) => `${p.topology}, ${kilohertz(p.frequency)}`),
      line(`cost a board [${data.currency}]`, (d, p) => fixed(p.cost, 2)),
      line("mission loss [W]", (d) => fixed(d.loss_mission, 3)),
      line("a board may measure [W]", (d) => `${fixed(d.loss_mission * (1 + low), 2)} to ${fixed(d.loss_mission * (1 + high), 2)}`),
      line("worst loss, guaranteed [W]", (d) => `${fixed(d.loss_worst, 3)} at ${d.loss_worst_at}`),
      ...Object.keys(view.sets[0].detail.efficiency_named).map((name) => line(`efficiency, ${name} [%]`, (d) => percent(d.efficiency_named[name], 2))),
      line("hottest part [°C]", (d, p) => `${fixed(p.hot, 0)}, ${p.hot_part}`),
      line("smallest stress margin [%]", (d, p) => `${percent(p.tight)}, ${p.tight_what}`),
      line("board area [mm²]", (d, p) => fixed(1e6 * p.area, 0)),
      line("tallest part [mm]", (d, p) => fixed(1e3 * p.height, 1)),
      ...(isKept("life") ? [line("shortest bank life [years]", (d, p) => lifeText(p, true))] : []),
      ...(isKept("rate") ? [line("failure rate [1/10⁶ h], to compare only", (d, p) => digits(p.rate, 3))] : []),
      line("limits", (d) => limitsWord(d)),
      line("proved by", (d, p) => p.proof),
    ];
    const columns = [text("figure", (row) => row.head, { key: undefined })].concat(
      view.sets.map((one) => ({ head: setTitle(one), cell: (row) => row.get(one.detail, pointOf(one.number)), className: () => one.name })));
    const found = [table(columns, lines, { label: "Figures of the sets", rowHeads: true })];
    if (view.sets.length > 1) found.push(differences(view));
    return found;
  },

  margins(body, view) {
    const [a, b] = view.sets;
    const key = (m) => `${m.subject}|${m.quantity}|${m.transient}|${m.part_number}`;
    const place = (m) => `${m.subject}|${m.quantity}|${m.transient}`;
    const other = new Map((b?.detail.margins ?? []).map((m) => [place(m), m]));
    const columns = [
      text("subject", (m) => m.subject), text("limit", (m) => limitName(m.quantity)),
      figure("margin %", (m) => m.margin, percent, { cell: (m) => (m.margin === null ? "fails" : [bar(m.margin), el("span", {}, percent(m.margin))]), className: (m) => (m.margin === null || m.margin < -1e-9 ? "bad" : "") }),
      ...(b ? [figure("set B %", (m) => other.get(place(m))?.margin ?? null, percent, { className: () => "b" })] : []),
      figure("worst", (m) => m.value, (v) => v, { cell: (m) => limitText(m.value, m.unit) }),
      figure("allowed", (m) => m.allowed, (v) => v, { cell: (m) => `${m.at_least ? "≥" : "≤"} ${limitText(m.allowed, m.unit)}` }),
      part((m) => m.part_number), text("worst at", (m) => (m.at === "always" ? "always" : `${m.at} (${m.parameter_set})`)),
    ];
    const rows = (list, transient) => [...new Map(list.filter((m) => m.transient === transient).map((m) => [key(m), m])).values()];
    return [false, true].map((transient) => {
      const shown = rows(a.detail.margins, transient);
      const words = transient ? "Transient shares of the ratings" : "Continuous";
      return shown.length ? table(columns, shown, { caption: `${words}: ${shown.length} limits of set A` }) : null;
    });
  },

  chain(body, view) {
    return view.sets.flatMap((one) => {
      const { chain } = one.detail;
      const verdict = chain.closes ? "The chain closes" : "The chain DOES NOT CLOSE";
      return [heading(view, one), el("figure", { class: "chart" }, chainChart(widthOf(body), one.name, chain),
        el("figcaption", { class: chain.closes ? null : "bad" },
          `${verdict}: room of ${percent(1 - chain.i_peak_needed / chain.i_limit_min)} % below the limit, ` +
          `${percent(1 - chain.i_limit_delayed / chain.i_saturation)} % below saturation. Peak needed at ${chain.i_peak_at}.`))];
    });
  },

  efficiency(body, view, redraw) {
    const sets = view.sets.filter((one) => one.detail.sweep);
    if (!sets.length) return [older()];
    const what = view.state.curve;
    const pick = el("select", { id: "curve", onchange: (event) => { view.state.curve = event.target.value; redraw(); } },
      option("efficiency", "efficiency", what), option("loss", "loss", what));
    const keys = sets.map((one) => `${one.name.toUpperCase()} ${one.name === "a" ? "solid" : "dashed"}`).join(", ");
    return [
      el("div", { class: "controls" }, el("label", {}, "Show ", pick)),
      el("figure", { class: "chart" }, efficiencyChart(widthOf(body), sets, what),
        el("figcaption", {}, curveWords(sets), sets.length > 1 ? ` ${keys}.` : "")),
    ];
  },

  losses(body, view) {
    const sets = view.sets.filter((one) => one.lane >= 0);
    const at = (detail, list) => list[view.sets.find((one) => one.detail === detail).lane];
    return [
      el("h3", {}, `At ${view.title}`),
      el("figure", { class: "chart" }, lossChart(widthOf(body), sets, at)),
      ...sets.map((one) => lossTable(one, view)),
      el("h3", {}, "Where the heat goes on the mission"),
      el("figure", { class: "chart" }, lossChart(widthOf(body), view.sets, missionSum)),
      missionTable(view),
    ];
  },

  temperatures(body, view) {
    return view.sets.flatMap((one) => [heading(view, one), temperatureTable(one)]);
  },

  waveforms(body, view) {
    const sets = view.sets.filter((one) => one.detail.traces && one.lane >= 0);
    if (!sets.length) return [older()];
    return [
      el("figure", { class: "waves" }, ...waveCharts(widthOf(body), sets),
        el("figcaption", {}, `Time in µs over one period at ${view.title}.${sets.length > 1 ? " Set A solid, set B dashed." : ""}`)),
      waveTable(view),
    ];
  },

  parts(body, view) {
    return view.sets.flatMap((one) => [
      heading(view, one),
      one === view.sets.find((other) => sameStage(one, other)) ? stageFigure(one.detail.part_set.topology, Object.keys(one.detail.part_set.transistors)) : null,
      billTable(one), secondTable(one), costTable(one),
    ]);
  },

  numbers(body, view, redraw) {
    const sets = view.sets.filter((one) => one.detail.derivations);
    if (!sets.length) return [older()];
    const subjects = [...new Set(sets.flatMap((one) => one.detail.derivations.map((d) => word(d[0]))))];
    const pick = el("select", { id: "subject", onchange: (event) => { view.state.subject = event.target.value; redraw(); } },
      option("", "everything", view.state.subject), ...subjects.map((name) => option(name, name, view.state.subject)));
    return [
      el("div", { class: "controls" }, el("label", {}, "Show ", pick)),
      ...sets.flatMap((one) => [heading(view, one), numberTable(one, view.state.subject)]),
    ];
  },

  files(body, view) {
    return view.sets.flatMap((one) => [heading(view, one), fileButtons(one, view), el("pre", {}, one.detail.files.summary)]);
  },
};

const older = () => el("p", { class: "note" }, "The run keeps no records for this panel: an older version archived it; run it again to have them.");
const option = (value, words, chosen) => el("option", { value, selected: value === chosen }, words);

function limitsWord(detail) {
  const broken = detail.margins.filter((m) => m.margin === null || m.margin < -1e-9).map((m) => `${m.subject} ${m.quantity}`);
  if (!detail.chain.closes) broken.push("limit chain");
  return broken.length ? `BREAKS ${broken.join(", ")}` : "all hold at every operating point";
}

// What the labels at the ends of the curves stand for, and how boundaries are drawn.
function curveWords(sets) {
  const { curves } = curvesOf(data.shapes[sets[0].detail.shape]);
  const told = curves.map((one, k) => `${k + 1} ${one.name}: ${quantity(one.amps, "A")} at ${quantity(one.volts, "V")}`);
  const labels = isNamed(curves) ? `${told.join("; ")}. ` : "Load in per cent of full load at the right end. ";
  return labels + (sharedOutput(sets) ? "Broken uprights: region boundaries." : "Cross marks on a curve: region boundaries at its own output voltage.");
}

const sameStage = (one, other) => one.detail.part_set.topology === other.detail.part_set.topology;
const signed = (value, places) => (value > 0 ? `+${fixed(value, places)}` : fixed(value, places));

// Set B less set A, for what adds up in money and heat.
function differences(view) {
  const [a, b] = view.sets.map((one) => one.detail);
  const loss = b.loss_mission - a.loss_mission;
  const tied = Math.abs(loss) <= data.state_difference * a.loss_mission;
  const said = tied ? "closer than the state difference: a tie" : `${signed(1e3 * loss, 1)} mW of mission loss`;
  return el("p", {}, `Set B against set A: ${signed(b.cost - a.cost, 2)} ${data.currency} a board, ${said}, ` +
    `${signed(1e6 * (b.area - a.area), 0)} mm².`);
}
