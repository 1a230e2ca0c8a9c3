// One maker for every table: columns say how a row becomes a cell and a sort key.
// column = { head, cell(row), key(row) for sorting, num, kind, className(row) }

const kindOf = (column) => [column.num ? "num" : "", column.kind ?? ""].join(" ").trim();

function table(columns, rows, options = {}) {
  const order = { column: -1, down: false };
  const body = el("tbody");
  const heads = columns.map((column, k) => {
    const sorts = column.key !== undefined && options.sorts !== false && rows.length > 2;
    const inner = sorts ? el("button", { type: "button", onclick: () => sortBy(k) }, column.head) : column.head;
    return el("th", { class: kindOf(column) || null, scope: "col", "aria-sort": sorts ? "none" : null }, inner);
  });

  function fill() {
    const key = order.column < 0 ? null : columns[order.column].key;
    const known = (value) => value !== null && value !== undefined && value !== "";
    const shown = key === null ? rows : [...rows].sort((one, other) => {
      const [x, y] = [key(one), key(other)];
      if (known(x) !== known(y)) return known(x) ? -1 : 1;
      const less = typeof x === "number" ? x - y : String(x).localeCompare(String(y));
      return order.down ? -less : less;
    });
    body.replaceChildren(...shown.map(line));
  }

  function line(row) {
    const cells = columns.map((column, k) => {
      const kind = [kindOf(column), column.className?.(row) ?? ""].join(" ").trim();
      const content = column.cell(row);
      return el(k === 0 && options.rowHeads ? "th" : "td", { class: kind || null }, ...[content].flat().map((c) => c ?? ""));
    });
    return el("tr", { class: options.rowClass?.(row) || null }, ...cells);
  }

  function sortBy(k) {
    order.down = order.column === k ? !order.down : false;
    order.column = k;
    heads.forEach((head, j) => {
      if (head.hasAttribute("aria-sort"))
        head.setAttribute("aria-sort", j !== k ? "none" : order.down ? "descending" : "ascending");
    });
    fill();
  }

  fill();
  const made = el("table", {}, options.caption ? el("caption", {}, options.caption) : null,
    el("thead", {}, el("tr", {}, ...heads)), body);
  const label = options.label ?? options.caption ?? "table";
  return el("div", { class: `scroll ${options.wide ? "wide" : ""}`, tabindex: 0, role: "region", "aria-label": label }, made);
}

const text = (head, get, more = {}) => ({ head, cell: get, key: get, ...more });
const figure = (head, get, show, more = {}) => ({ head, num: true, key: get, cell: (row) => show(get(row)), ...more });

const part = (get) => ({ ...text("part", get), kind: "part" });

// A share of the whole as a short bar beside its number.
function bar(share) {
  const fill = el("i");
  fill.style.width = `${Math.max(0, Math.min(1, share ?? 0)) * 100}%`;
  return el("span", { class: "bar", "aria-hidden": "true" }, fill);
}
