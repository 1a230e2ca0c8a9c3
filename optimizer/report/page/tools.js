// Data, elements and numbers. Texts only ever become text nodes: nothing of the data is markup.

// The data stands in the page as packed JSON.
async function unpacked() {
  const bytes = Uint8Array.from(atob(document.getElementById("data").textContent), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

const data = await unpacked();
const word = (k) => data.words[k];
const MISSING = "–";
const COLOUR = { a: "#0a5278", b: "#b45309", ink: "#1c2530", soft: "#5a6570", line: "#cdd3d8" };
const SETS = ["a", "b"];

function el(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return made;
}

function svg(tag, attributes = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}

// Four digits, without an exponent where that can be read.
function digits(value, count = 4) {
  if (value === null || value === undefined || !Number.isFinite(value)) return MISSING;
  return Number(value.toPrecision(count)).toString();
}

function fixed(value, places) {
  if (value === null || value === undefined || !Number.isFinite(value)) return MISSING;
  const said = value.toFixed(places);
  return Number(said) === 0 ? said.replace("-", "") : said;
}

const percent = (share, places = 1) =>
  share === null || share === undefined ? MISSING : fixed(100 * share, places);

const PREFIXES = [[1e9, "n"], [1e6, "µ"], [1e3, "m"], [1, ""], [1e-3, "k"], [1e-6, "M"]];
const PREFIXED = ["F", "H", "s", "ohm", "C", "J", "Hz", "V", "A", "W"];
const SIGN = { ohm: "Ω", degC: "°C", 1: "", "K/W": "K/W", m2: "mm²", "A/s": "A/µs" };

// A value in the unit an engineer reads.
function quantity(value, unit) {
  if (value === null || value === undefined) return "not known";
  if (unit === "1") return digits(value);
  if (unit === "m2") return `${digits(value * 1e6)} mm²`;
  if (unit === "m") return `${digits(value * 1e3)} mm`;
  if (unit === "s" && value >= 3.6e5) return `${digits(value / 3600)} h`;
  if (unit === "A/s") return `${digits(value * 1e-6)} A/µs`;
  if (!PREFIXED.includes(unit)) return `${digits(value)} ${SIGN[unit] ?? unit}`;
  const size = Math.abs(value);
  const [scale, prefix] =
    PREFIXES.find(([s]) => size * s >= 1 && size * s < 1000) ?? (size ? PREFIXES[size < 1 ? 0 : 5] : [1, ""]);
  return `${digits(value * scale)} ${prefix}${SIGN[unit] ?? unit}`;
}

const limitText = (value, unit) => (unit === "1" ? `${percent(value)} %` : quantity(value, unit));

const limitName = (name) => (name === "thermal gain row" ? "thermal gain, 100 % at its limit" : name);

const pointOf = (number) => data.points.find((point) => point.number === number) ?? null;
const detailOf = (number) => data.details[number] ?? null;
const lanesOf = (detail) => data.lanes[detail.lanes];
const kilohertz = (hertz) => `${digits(hertz / 1e3)} kHz`;
const regionName = (region) => ["step-down", "window", "step-up", "step-up/down"][region];

function topologyMark(topology) {
  const known = [...new Set(data.points.map((point) => point.topology))];
  return ["circle", "square", "triangle", "diamond"][known.indexOf(topology)] ?? "circle";
}

// Sum over the lanes of the mission, each by its share of the time.
function missionSum(detail, values) {
  return lanesOf(detail).share.reduce((sum, share, k) => sum + share * (values[k] ?? 0), 0);
}

function save(name, text) {
  const link = el("a", { href: URL.createObjectURL(new Blob([text], { type: "text/plain" })), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}
