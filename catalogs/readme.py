"""Text of the catalog README; its tables come from the one table of columns."""

from __future__ import annotations

from catalogs import market
from optimizer.columns import vocabulary

HEAD = """# Invented parts catalogs

**Invented; not for purchase.** Every part, maker, number, price and stock figure here is made up.
Nothing describes a real product, and no design may be built from these figures. Before a build,
replace them by the data of the parts you can buy.

Licence of the CSV files: CC0 1.0 (public domain dedication). Take, change and pass them on freely.

| file | rows | parts |
|---|---|---|
{files}

## How they are made

`python catalogs/generate.py` writes the committed files again, byte for byte (`--seed 1 --scale 1`
are the defaults, `--out DIR` writes elsewhere). `--scale 10` makes ten times the rows for
benchmarks, another `--seed` another market. `--readme` writes this page again.

Orders of magnitude are common practice of the trade (no source); they stand in `market.py`.

- **MOSFETs** come as series of several die sizes. Resistance-area and the products resistance x
  gate charge and resistance x output charge belong to a voltage class and one of four generations
  (A old to D new). A 4.5 V rating, on about 60 % of the parts, costs gate charge. The gate is
  a capacitance below and above the plateau, so its charges agree with each other. Price is package
  plus die area times the price of the generation.
- **Schottky diodes**: the barrier trades forward voltage against reverse current, the voltage class
  sets both level and resistance, the die area divides resistance and multiplies reverse current,
  capacitance and price.
- **Inductors**: the case sets energy at saturation (L x I^2), copper, heat path and price; the
  core sets knee, hot saturation and loss. Core loss [mW] =
  `core_loss_reference` x (f / 100 kHz)^`core_loss_exponent_frequency` x
  (ripple / 1 A p-p)^`core_loss_exponent_ripple`, for a triangle at duty 0.5.
- **Capacitors**: a class-II chip loses the more under bias the denser it is,
  C/C0 = 1/(1 + (V / bend)^1.8); the other technologies follow their volume.
- **Current-sense resistors** have values of the E24 series of IEC 60063.
- **Makers** differ in price, quality and leaning; noise keeps any part from being best at all.
- **Status**: {active:g} % active, {nfnd:g} % not for new designs, {late:g} % last-time buy or
  obsolete, the rest unknown or empty. A third of the parts share a `second_source_group` with
  parts of other makers on the same land pattern.
- **Flaws** on purpose, one row in twenty: typical only, no curve, no thermal resistance, no hot
  reverse current, unknown condition of the saturation current, no core loss, no price date,
  typical above maximum, drain charge above gate charge, a bias curve that rises. Every cell still
  reads.

Part numbers are `MAKER-<F, D, L, LC, C or R><class or value>-<serial>` and carry no other meaning.
`approval`, `life_rating_h`, `self_heating_k_per_a2` and the 4.5 V columns are empty where they do
not apply. Currency {currency}, prices dated within 2026.

## Columns

A header is quantity, condition, limit, unit. Bare numbers are in the unit of the header; curves
are `x:y x:y`; `price_breaks_each` is `quantity:unit price` pairs.

### All kinds

{common}"""


def readme() -> str:
    """The whole README."""
    files = "\n".join(
        f"| `{stem}.csv` | {rows:,} | {PARTS[stem]} |" for stem, rows in market.ROWS.items()
    )
    status = market.STATUS
    every = vocabulary("resistor").splitlines(keepends=True)
    own = len(vocabulary("resistor", common=False).splitlines()) - 2
    text = HEAD.format(
        files=files,
        active=100 * status["active"],
        nfnd=100 * status["not-for-new"],
        late=round(100 * (status["last-time-buy"] + status["obsolete"]), 1),
        currency=market.CURRENCY,
        common="".join(every[:-own]),
    )
    for kind in ("mosfet", "diode", "inductor", "capacitor", "resistor"):
        text += f"\n### {kind.capitalize()}\n\n{vocabulary(kind, common=False)}"
    return text


PARTS = {
    "mosfets": "N-channel transistors, 30 to 150 V",
    "diodes": "Schottky diodes, 40 to 150 V",
    "inductors": "power inductors, 1 to 100 uH",
    "inductors_coupled": "the same with two equal windings on one core",
    "capacitors": "ceramic, film, aluminium, polymer, hybrid, tantalum",
    "resistors": "current-sense resistors, 1 to 20 mOhm",
}
