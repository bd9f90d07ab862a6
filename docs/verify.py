#!/usr/bin/env python3
"""Compute a bundle of POST /v1/bundles again, offline, with Python's standard library.

    python3 verify.py bundle.json      exit 0: match, 1: a difference, 2: cannot be checked
    python3 verify.py --lines          a bundle a line on standard input, an answer a line

It shares no code with the service and follows docs/theory.md, whose sections it names.
What it takes as printed, it says.
"""
import hashlib, json, math, re, sys
from decimal import Context, Decimal as D, ROUND_HALF_EVEN, localcontext, setcontext

setcontext(Context(prec=6000, rounding=ROUND_HALF_EVEN))  # sums, products and powers are exact
CONTEXT34 = Context(prec=34, rounding=ROUND_HALF_EVEN)
ONE, KM = D(1), D(1000)
MODULES = "A0 A1 A2 A3 A4 A5 B1 B2 B3 B4 B5 B6 B7 B8 C1 C2 C3 C4 D".split()
ROLES = {"cement", "scm", "aggregate", "water", "fibre", "admixture"}
PROCESSES = {"energy", "fuel", "transport", "plant", "operation", "disposal"}
KINDS = ["epd", "generic-dataset", "agency-table", "quotation", "assumption", "invented"]
KNOWN = set("""inventory functional_unit economics baseline equivalence_override data_requirements alternatives
 area analysis_period_years real_discount_rate real_escalation category rate carbon_price amount real_growth by_year
 from_year name like mix slab transport construction maintenance end_of_life residual constituents add air
 absorbed_water production stages item reason mixer minutes takes share water_binder_ratio thickness lane_width joints
 layers curing waste spacing dowel dowel_spacing tie_bar tie_bar_spacing sealant concrete disposal to mode distance
 user_cost every_years years module life_years method final_value value as_of strict allocation other_layers
 strategies strategy at_age_years after nominal_discount_rate inflation nominal_escalation nominal_growth
 discount_rate_schedule include_user_cost in_cost price_year source unequal_lives service_life_years carbonation k degree
 strength_class exposure cements clinker reactive_cao specified_concrete compressive_strength high_early_strength limits
 clause scope limit by_strength from high_early_factor valid_from valid_until objectives measure modules weighting
 normalisation weights cut_off flow process mass energy by_ratio binder mixing_water cement water replacement aggregates
 fibres admixtures bulk_volume dry_rodded_density overrides price factor""".split())
# not read here: what follows from them is taken as printed
OPAQUE = {"service", "goal_and_scope", "checks", "declaration"}
YARD, POUND, GALLON = D("0.9144"), D("0.45359237"), D("0.003785411784")
UNITS = {  # theory: Units. (numerator, denominator) of the SI value of one unit
    "mm": (D("0.001"), 1), "cm": (D("0.01"), 1), "m": (1, 1), "km": (1000, 1), "in": (D("0.0254"), 1), "ft": (D("0.3048"), 1),
    "yd": (YARD, 1), "mi": (D("1609.344"), 1), "m2": (1, 1), "ha": (10000, 1), "ft2": (D("0.3048") ** 2, 1), "yd2": (YARD**2, 1),
    "kg/m3": (1, 1), "t/m3": (1000, 1), "g/cm3": (1000, 1), "lb/yd3": (POUND, YARD**3), "lb/ft3": (POUND, D("0.3048") ** 3),
    "L/m3": (D("0.001"), 1), "mL/m3": (D("0.000001"), 1), "gal/yd3": (GALLON, YARD**3), "%": (D("0.01"), 1),
    "kWh/m3": (3600000, 1), "MJ/m3": (1000000, 1), "kWh/yd3": (3600000, YARD**3),
    "kg CO2e/m3": (1, 1), "kg CO2e/yd3": (1, YARD**3), "lb CO2e/yd3": (POUND, YARD**3), "mm/year^0.5": (1, 1),
    "kg CO2e/m2": (1, 1), "kg CO2e/yd2": (1, YARD**2), "lb CO2e/yd2": (POUND, YARD**2), "Pa": (1, 1), "kPa": (1000, 1), "MPa": (1000000, 1),
    "GPa": (1000000000, 1), "psi": (POUND * D("9.80665"), D("0.0254") ** 2), "ksi": (POUND * D("9806.65"), D("0.0254") ** 2)}
CLASSES = "C8/10 C12/15 C16/20 C20/25 C25/30 C30/37 C35/45 C40/50 C45/55 C50/60".split()
SPEEDS = {  # theory: Carbonation. k by cylinder strength (below 15, 15-20, 25-35, above 35 MPa), degree
    "exposed_to_rain": ("5.5 2.7 1.6 1.1", "0.85"), "sheltered_from_rain": ("11 6.6 4.4 2.7", "0.75"), "in_ground": ("2.5 1.1 0.8 0.5", "0.85")}


class Unknown(Exception):
    """Something that this checker does not know, so that it cannot check."""


def div(a, b):  # theory: Rounding. 34 significant digits, half to even
    return CONTEXT34.divide(D(a), D(b))

def rounded(x, places):
    return x if -x.as_tuple().exponent <= places else x.quantize(D(1).scaleb(-places))

def amount(x): return rounded(D(x), 12)
def line(x): return rounded(D(x), 6)
def plain(x): return format(x.normalize() if x else D(0), "f")
def fixed(x): return None if x is None else format((line(x) or D(0)).quantize(D("0.000001")), "f")  # no -0

def printed(x):  # an amount: 6 to 12 decimals
    x = amount(x)
    return fixed(x) if x == line(x) else plain(x)

def si(text):
    number, _, code = text.partition(" ")
    if code not in UNITS:
        raise Unknown("the unit of " + repr(text))
    n, d = UNITS[code]
    return D(number) * n if d == 1 else div(D(number) * n, d)

def money(text): return D(text.split(" ")[0])

def utf16(name): return name.encode("utf-16-be")

def canonical(value):  # RFC 8785 of what a bundle holds: no fractions, which are texts here
    def order(v):
        if isinstance(v, dict):
            return {k: order(v[k]) for k in sorted(v, key=None if all(map(str.isascii, v)) else utf16)}
        return [order(x) for x in v] if isinstance(v, list) else v
    return json.dumps(order(value), ensure_ascii=False, separators=(",", ":")).encode()

def sha(value): return hashlib.sha256(canonical(value)).hexdigest()


class Flow:
    """theory: Flows. An amount of an item that enters the life of the slab once."""
    def __init__(self, item, amount, module, year=0, factor="", unpriced=False, parent=""):
        self.item, self.amount, self.module, self.year = item, amount, module, year
        self.factor, self.unpriced, self.parent = factor, unpriced, parent
    def but(self, **changes):
        f = Flow(**vars(self)); vars(f).update(changes); return f


class Alternative:
    def __init__(self, study, given, stated):
        self.s, self.a, self.stated, self.out = study, given, stated, {}
        self.slab, self.mix = given["slab"], given["mix"]
        self.service_life()
        if isinstance(self.slab["thickness"], str):
            self.thickness = si(self.slab["thickness"])
            self.put("/thickness_mm", plain(self.thickness * 1000))
        else:
            self.thickness = D(stated["thickness_mm"]).scaleb(-3); study.taken.add("a thickness that a method sized")
        self.takeoff(); self.proportion(); self.staged(); self.bill(); self.quantities(); self.carbon()
        if study.rate is not None:
            self.cost()

    def service_life(self):  # theory: Cost, unequal service lives
        self.life, self.period = self.slab["service_life_years"] if self.s.lives else 0, self.s.period
        if self.s.lives == "annual_equivalent":
            self.period = self.life
        starts = [0] + (due(0, self.life, self.life, self.period) if self.life else [])
        self.builds = list(zip(starts, starts[1:] + [self.period]))
        self.recovery = div(*reversed(self.s.over(self.period))) if self.s.rate is not None else None
        if self.s.lives:
            for name, value in (("service_life_years", self.life), ("studied_years", self.period), ("replacements", len(starts) - 1),
                                ("built_anew_in_years#", len(starts) - 1), ("capital_recovery_factor", None if self.recovery is None else plain(self.recovery))):
                self.put("/life/" + name, value)
            for i, year in enumerate(starts[1:]):
                self.put(f"/life/built_anew_in_years/{i}", year)

    def put(self, at, value): self.out[at] = value
    def row(self, code): return self.s.rows[code]
    def groups(self, row): return {row["category"]} | ({"binder"} if row["category"] in ("cement", "scm") else set())

    def takeoff(self):  # theory: Take-off
        self.put("/takeoff/concrete_m3_per_m2", printed(self.thickness))
        j = self.slab.get("joints")
        self.joint = self.panels = self.dowels = self.ties = None
        for name in ("transverse_joint_m_per_m2", "longitudinal_joint_m_per_m2", "panels_per_m2"):
            self.put("/takeoff/" + name, None)
        if not j:
            return
        b, s = si(self.slab["lane_width"]), si(j["spacing"])
        across, along, self.panels = amount(div(1, s)), amount(div(1, b)), amount(div(1, s * b))
        self.joint = across + along
        self.put("/takeoff/transverse_joint_m_per_m2", printed(across)); self.put("/takeoff/longitudinal_joint_m_per_m2", printed(along))
        self.put("/takeoff/panels_per_m2", printed(self.panels))
        if "dowel" in j:
            n = int(div(b, si(j["dowel_spacing"]))); self.dowels = amount(div(n, s * b)); self.put("/takeoff/dowels_per_transverse_joint", n)
        if "tie_bar" in j:
            n = int(div(s, si(j["tie_bar_spacing"]))); self.ties = amount(div(n, s * b)); self.put("/takeoff/tie_bars_per_panel", n)

    def proportion(self):  # theory: Mix
        stated = self.stated["mix"]
        if "by_ratio" in self.mix:
            self.included = {c["item"]: True for c in self.mix.get("add", []) if "transport" in c}
            self.parts, air, open_at = *self.by_ratio(self.mix["by_ratio"]), None
        else:
            parts, self.included, open_at = [], {}, None
            binder = sum(amount(si(c["amount"])) for c in self.mix["constituents"] if self.row(c["item"])["category"] in ("cement", "scm"))
            for i, c in enumerate(self.mix["constituents"]):
                text, row = c["amount"], self.row(c["item"])
                if "transport" in c:
                    self.included[c["item"]] = True
                if text == "balance":
                    open_at, mass = i, None
                else:
                    mass = self.mass(text, row, binder)
                parts.append((c["item"], mass))
            self.parts, air = parts, si(self.mix["air"]) if "air" in self.mix else D(0)
        total, known, self.volumes = air, True, []
        for item, mass in self.parts:
            density = self.row(item).get("density_kg_per_m3")
            known = known and density is not None
            volume = div(mass, D(density)) if density and mass is not None else None
            self.volumes.append(volume); total += volume or 0
        if open_at is not None:
            item, density = self.parts[open_at][0], D(self.row(self.parts[open_at][0])["density_kg_per_m3"])
            mass = amount((1 - total) * density)
            self.parts[open_at], self.volumes[open_at] = (item, mass), div(mass, density); total += self.volumes[open_at]
        of = lambda *roles: sum((m for i, m in self.parts if self.row(i)["category"] in roles), D(0))
        cement, binder, brought = of("cement"), of("cement", "scm"), sum((self.brings(i, m) for i, m in self.parts), D(0))
        water = of("water") + brought
        absorbed = si(self.mix["absorbed_water"]) if "absorbed_water" in self.mix else D(0)
        self.density = sum((m for _, m in self.parts), D(0))
        for i, (item, mass) in enumerate(self.parts):
            at = f"/mix/constituents/{i}"
            self.put(at + "/item", item); self.put(at + "/mass_kg_per_m3", printed(mass))
            self.put(at + "/volume_l_per_m3", None if self.volumes[i] is None else printed(self.volumes[i] * 1000))
        for name, value in (("fresh_density_kg_per_m3", self.density), ("binder_kg_per_m3", binder), ("total_water_kg_per_m3", water),
                            ("admixture_water_kg_per_m3", brought), ("absorbed_water_kg_per_m3", absorbed), ("effective_water_kg_per_m3", water - absorbed)):
            self.put("/mix/" + name, printed(value))
        self.put("/mix/air_percent", plain(air * 100)); self.put("/mix/absolute_volume_m3_per_m3", printed(total) if known else None)
        self.put("/mix/effective_water_cement_ratio", printed(div(water - absorbed, cement)) if cement else None)
        self.put("/mix/effective_water_binder_ratio", printed(div(water - absorbed, binder)) if binder else None)
        self.put("/mix/constituents#", len(self.parts))

    def mass(self, text, row, binder):  # of an amount that is not what is left
        if text.endswith(" of binder"):
            return amount(si(text[:-len(" of binder")]) * binder)
        if text.endswith(" by volume") or text.split(" ")[1] in ("L/m3", "mL/m3", "gal/yd3"):
            return amount(si(text.removesuffix(" by volume")) * D(row["density_kg_per_m3"]))
        return amount(si(text))

    def by_ratio(self, r):  # theory: Mix, by ratios
        ratio = D(r["water_binder_ratio"]) if "water_binder_ratio" in r else None
        binder = amount(si(r["binder"])) if "binder" in r else amount(div(amount(si(r["mixing_water"])), ratio))
        water = amount(si(r["mixing_water"])) if "mixing_water" in r else amount(binder * ratio)
        scm = [(c["item"], amount(binder * si(c["share"]))) for c in r.get("replacement", [])]
        others = [(c["item"], self.mass(c["amount"], self.row(c["item"]), binder)) for c in r.get("fibres", []) + r.get("admixtures", []) + self.mix.get("add", [])]
        absorbed = si(self.mix["absorbed_water"]) if "absorbed_water" in self.mix else D(0)
        mixed = amount(water + absorbed) - sum((self.brings(i, m) for i, m in others), D(0))
        first = [(r["cement"], binder - sum((m for _, m in scm), D(0)))] + scm + [(r["water"], mixed)]
        air, density = si(r["air"]) if "air" in r else D(0), lambda i: D(self.row(i)["density_kg_per_m3"])
        given = lambda a: amount(D(a["bulk_volume"]) * si(a["dry_rodded_density"])) if "bulk_volume" in a else self.mass(a["amount"], self.row(a["item"]), binder)
        aggregates = [(a["item"], None if "share" in a else given(a)) for a in r["aggregates"]]
        filled = sum((div(m, density(i)) for i, m in first + others + aggregates if m is not None and "density_kg_per_m3" in self.row(i)), air)
        shares = {k: si(a["share"]) for k, a in enumerate(r["aggregates"]) if "share" in a}
        whole = amount((1 - filled) * div(1, sum(div(x, density(aggregates[k][0])) for k, x in shares.items())))
        parts = {k: amount(x * whole) for k, x in shares.items()}
        parts[max(parts)] += whole - sum(parts.values())  # the last takes the rest
        return first + [(i, parts[k] if m is None else m) for k, (i, m) in enumerate(aggregates)] + others, air

    def brings(self, item, mass):  # the water in an admixture
        row = self.row(item)
        return amount(mass * (1 - D(row["solids_percent"]) / 100)) if row["category"] == "admixture" and "solids_percent" in row else D(0)

    def staged(self):  # theory: Mix, staged mixing
        stages = self.mix.get("stages") or []
        if not stages and "production" not in self.mix:
            stages = [{"name": "mixing", "mixer": self.s.default["mixing"], "minutes": 2, "takes": "rest"}]
        left, self.hours = [m for _, m in self.parts], []
        for k, stage in enumerate(stages):
            masses = [D(0)] * len(left)
            if stage["takes"] == "rest":
                masses = list(left)
            else:
                picked = lambda t: [i for i, (item, _) in enumerate(self.parts) if item == t.get("item") or t.get("category") in self.groups(self.row(item))]
                for t in stage["takes"]:
                    for i in picked(t) if "share" in t else ():
                        masses[i] = amount(self.parts[i][1] * si(t["share"]))
                for t in stage["takes"]:
                    if "water_binder_ratio" in t:
                        masses[picked(t)[0]] = amount(self.bound(masses) * D(t["water_binder_ratio"])) - self.brought(masses)
            left = [a - b for a, b in zip(left, masses)]
            volume = ONE if stage["takes"] == "rest" else amount(sum((div(m * v, whole) for m, v, (_, whole) in zip(masses, self.volumes, self.parts) if v is not None and whole), D(0)))
            hours = amount(div(stage["minutes"] * volume, 60 * D(self.row(stage["mixer"])["batch_volume_m3"])))
            self.hours.append((stage["mixer"], hours))
            at, binder = f"/mix/stages/{k}", self.bound(masses)
            water = self.brought(masses) + sum((m for m, (i, _) in zip(masses, self.parts) if self.row(i)["category"] == "water"), D(0))
            for name, value in (("mixer", stage["mixer"]), ("minutes", stage["minutes"]), ("volume_m3_per_m3", printed(volume)), ("mixer_h_per_m3", printed(hours)),
                                ("water_binder_ratio", printed(div(water, binder)) if binder else None)):
                self.put(f"{at}/{name}", value)
            taken = [(i, m) for (i, _), m in zip(self.parts, masses) if m]
            for n, (item, m) in enumerate(taken):
                self.put(f"{at}/constituents/{n}/item", item); self.put(f"{at}/constituents/{n}/mass_kg_per_m3", printed(m))
            self.put(at + "/constituents#", len(taken) if taken else None)
        self.put("/mix/stages#", len(stages))

    def bound(self, masses): return sum((m for m, (i, _) in zip(masses, self.parts) if self.row(i)["category"] in ("cement", "scm")), D(0))
    def brought(self, masses): return sum((self.brings(i, m) for m, (i, _) in zip(masses, self.parts)), D(0))

    # theory: Flows
    def expand(self, f):
        row = self.row(f.item)
        if row.get("recipe"):
            return [g for p in row["recipe"] for g in self.expand(f.but(item=p["item"], amount=amount(f.amount * D(p["amount"])), parent=f.item))]
        f = f.but(factor=f.factor or ("process" if row["category"] in PROCESSES else "A1-A3"))
        if f.factor == "A1-A3" and f.module != "A1" and "A4" in row.get("factors", {}):
            return [f, f.but(factor="A4", unpriced=True, module="A4" if f.module == "A1-A3" else f.module)]
        return [f]

    def kg_per_unit(self, row):
        unit = row["unit"]
        if unit in ("kg", "t"):
            return D(1) if unit == "kg" else D(1000)
        return D(row["unit_mass_kg"]) if "unit_mass_kg" in row else D(row["density_kg_per_m3"]) / (1000 if unit == "L" else 1)

    def from_mass(self, row, kg): return kg if row["unit"] == "kg" else amount(div(kg, self.kg_per_unit(row)))

    def legs(self, to, code, groups):
        rules = [r for r in self.a.get("transport", []) if r["to"] == to]
        return [r for r in rules if code and r.get("item") == code] or [r for r in rules if r.get("category") in groups]

    def haul(self, legs, kg, module, moved=None):
        unpriced = bool(moved) and moved.get("price", {}).get("basis") == "delivered"
        return [f for r in legs if "mode" in r for f in self.expand(Flow(r["mode"], amount(kg * si(r["distance"]).scaleb(-6)), module, unpriced=unpriced))]

    def bill(self):
        flows = [f for i, m in self.parts for f in self.expand(Flow(i, self.from_mass(self.row(i), m), "A1"))]
        for item, mass in self.parts:
            row = self.row(item); legs = self.legs("plant", item, self.groups(row))
            if not legs and item not in self.included and "A2" in row.get("factors", {}):
                flows.append(Flow(item, self.from_mass(row, mass), "A2", factor="A2", unpriced=True))
            flows += self.haul(legs, mass, "A2", row)
        for p in self.mix.get("production", []):
            number, _, code = p["amount"].partition(" "); unit = self.row(p["item"])["unit"] + "/m3"
            (n, d), (tn, td) = UNITS[code], UNITS[unit]
            flows += self.expand(Flow(p["item"], amount(D(number) if code == unit else div(D(number) * n * td, d * tn)), "A3"))
        flows += [f for mixer, hours in self.hours for f in self.expand(Flow(mixer, hours, "A3"))]
        flows += self.haul(self.legs("site", "", {"concrete"}), self.density, "A4")
        waste = si(self.slab["waste"]["concrete"]) if "waste" in self.slab else D(0)
        self.put("/carbon/waste_factor", plain(div(waste, 1 - waste)) if waste else None)
        if waste:
            w = div(waste, 1 - waste); wasted = amount(self.density * w)
            flows += [f.but(amount=amount(f.amount * w), module="A5") for f in flows]
            disposal = self.slab["waste"].get("disposal") or self.s.default["waste-disposal"]
            flows += self.expand(Flow(disposal, self.from_mass(self.row(disposal), wasted), "A5"))
            flows += self.haul(self.legs("disposal", "", {"waste"}), wasted, "A5")
        self.concrete, self.flows, self.user, self.lives = flows, [f.but(amount=amount(f.amount * self.thickness)) for f in flows], [], []
        j = self.slab.get("joints", {})
        for code, x in ((j.get("dowel"), self.dowels), (j.get("tie_bar"), self.ties), (j.get("sealant"), self.joint)):
            if code:
                self.product(code, x)
        for l in self.slab.get("layers", []):
            row, m3 = self.row(l["item"]), si(l["thickness"])
            self.product(l["item"], {"m3": m3, "L": m3 * 1000}.get(row["unit"]) or self.from_mass(row, m3 * D(row["density_kg_per_m3"])), "transport" in l)
        if "curing" in self.slab:
            self.product(self.slab["curing"], ONE)
        for o in self.a.get("construction", []):
            self.operation(o, "A5", 0)
        self.maintain()
        for o in self.a.get("end_of_life", []):
            own = o["module"] == "D" or o["module"] in self.row(o["item"]).get("factors", {})
            self.operation(o, o["module"], self.period, o["module"] if own else "", True)
        self.renew()

    def maintain(self):  # theory: Cost, treatments by year and by age
        plan, horizon, found = self.a.get("maintenance", []), min(self.life, self.period) if self.life else self.period, {}
        def times(i):
            m = plan[i]
            if i not in found:
                if "at_age_years" in m:
                    starts = [0] if "after" not in m else sorted({y for k, other in enumerate(plan) if other["item"] == m["after"] for y in times(k)})
                    found[i] = [y for a, end in zip(starts, starts[1:] + [horizon]) for y in due(a, m["at_age_years"], m.get("life_years", 0), end)]
                elif "years" in m:
                    found[i] = [y for y in m["years"] if y < horizon]
                else:
                    found[i] = due(0, m["every_years"], m["every_years"], horizon)
            return found[i]
        years = [times(i) for i in range(len(plan))]
        years = [[start + y for start, _ in self.builds for y in each if start + y < self.period] for each in years]
        for m, each in zip(plan, years):
            for y in each:
                self.operation(m, m.get("module") or self.row(m["item"])["module"], y)
            covered = any(other["item"] == m.get("after") and done and max(done) >= max(each) for other, done in zip(plan, years)) if each else True
            if m.get("life_years") and not covered and max(each) >= self.builds[-1][0]:
                self.lives.append((m["item"], max(each), m["life_years"]))

    def renew(self):  # theory: Cost, unequal service lives: what year 0 and the end of life take, again
        once = list(self.flows)
        for year, _ in self.builds[1:]:
            self.flows += [f.but(year=year, module="D" if f.module == "D" else "B4") for f in once if f.year == 0 or f.module[0] in "CD"]
        self.user += [(item, year, price) for item, first, price in list(self.user) if first == 0 for year, _ in self.builds[1:]]

    def product(self, code, x, included=False):
        row = self.row(code); legs = self.legs("site", code, self.groups(row)); f = Flow(code, amount(x), "A1-A3")
        if row.get("recipe") or ("A4" in row.get("factors", {}) and not legs and not included):
            self.flows += self.expand(f); return
        self.flows.append(f.but(factor="process" if row["category"] in PROCESSES else "A1-A3"))
        if any("mode" in r for r in legs):
            self.flows += self.haul(legs, f.amount * self.kg_per_unit(row), "A4", row)

    def operation(self, o, module, year, factor="", unpriced=False):
        unit = self.row(o["item"])["unit"]
        x = {"m2": ONE, "m": self.joint, "each": self.panels, "m3": self.thickness}.get(unit)
        x = amount(self.thickness * self.density / 1000) if unit == "t" else x
        self.flows += self.expand(Flow(o["item"], amount(x * (si(o["share"]) if "share" in o else 1)), module, year, factor, unpriced))
        if "user_cost" in o:
            self.user.append((o["item"], year, money(o["user_cost"])))

    def factor(self, f):
        row = self.row(f.item); main = "process" if row["category"] in PROCESSES else "A1-A3"
        for other in row.get("factor_data", {}).get("alternatives", []):
            if f.factor == main and other["allocation"] == self.s.allocation:
                return D(other["factor"])
        return D(row["factors"][f.factor])

    def quantities(self):
        shown = [("concrete", 0, self.thickness)] + [(f.item, f.year, f.amount) for f in self.flows if f.factor not in ("A2", "A4")]
        for n, (item, year, x) in enumerate(shown):
            for name, value in (("item", item), ("year", year), ("amount", printed(x)), ("for_area", printed(x * self.s.area))):
                self.put(f"/quantities/{n}/{name}", value)
        self.put("/quantities#", len(shown))
        sums, money_sum = dict.fromkeys(("A1", "A2", "A3", "A4", "A5"), D(0)), D(0)
        for n, f in enumerate(self.concrete):
            at, gwp = f"/concrete/lines/{n}", line(f.amount * self.factor(f)); sums[f.module] += gwp
            price = None if f.unpriced or self.s.rate is None else D(self.row(f.item)["price"]["amount"])
            if price is not None and f.module in ("A1", "A2", "A3"):
                money_sum += line(f.amount * price)
            for name, value in (("module", f.module), ("item", f.item), ("amount", printed(f.amount)), ("factor", plain(self.factor(f))), ("gwp_kg_co2e_per_m3", fixed(gwp)),
                                ("price", None if price is None else plain(price)), ("cost_per_m3", None if price is None else fixed(f.amount * price))):
                self.put(f"{at}/{name}", value)
        self.put("/concrete/lines#", len(self.concrete)); self.put("/concrete/cost_per_m3", None if self.s.rate is None else fixed(money_sum))
        self.gate_m3 = sums["A1"] + sums["A2"] + sums["A3"]
        for name, value in (*((m, sums[m]) for m in ("A1", "A2", "A3", "A4")), ("A1-A3", sums["A1"] + sums["A2"] + sums["A3"]), ("A5_waste", sums["A5"])):
            self.put("/concrete/gwp_kg_co2e_per_m3/" + name, fixed(value))

    def carbon(self):  # theory: Carbon
        known = {"A1", "A2", "A3", "A4"} | ({"A5"} if self.a.get("construction") or "waste" in self.slab else set())
        known |= {"B2", "B3", "B4", "B5"} if "maintenance" in self.a else set()
        value, whole, kinds, self.by_year, declared = dict.fromkeys(MODULES, D(0)), D(0), {}, {}, set()
        for n, f in enumerate(self.flows):
            gwp = line(f.amount * self.factor(f))
            if f.module == "A1-A3":
                whole += gwp
            else:
                value[f.module] += gwp; declared.add(f.module)
            if f.module != "D":
                kind = "assumption" if f.module == "B1" or (f.item, f.factor) in self.s.assumed else self.row(f.item)["factor_source"]["kind"]; kinds[kind] = kinds.get(kind, 0) + gwp
                self.by_year[f.year] = self.by_year.get(f.year, 0) + gwp
            for name, v in (("module", f.module), ("item", f.item), ("year", f.year), ("amount", printed(f.amount)), ("factor", plain(self.factor(f))), ("gwp_kg_co2e_per_m2", fixed(gwp))):
                self.put(f"/carbon/lines/{n}/{name}", v)
        if "carbonation" in self.a:
            known.add("B1")
            for year, gwp in self.carbonate():
                value["B1"] += gwp; declared.add("B1"); kinds["assumption"] = kinds.get("assumption", 0) + gwp
                self.by_year[year] = self.by_year.get(year, 0) + gwp
        else:
            self.put("/carbon/lines#", len(self.flows))
        known |= declared
        for i, m in enumerate(MODULES):
            self.put(f"/carbon/module_states/{i}/state", "declared" if m in declared else "zero_with_reason" if m in known else "not_declared")
            if m not in ("A1", "A2", "A3"):
                self.put("/carbon/modules/" + m, fixed(value[m]) if m in known else None)
        part = lambda a, b: sum((value[m] for m in MODULES[MODULES.index(a):MODULES.index(b) + 1] if m in known), whole if a == "A1" else D(0))
        for i, (a, b) in enumerate((("A1", "A3"), ("A4", "A5"), ("B1", "B8"), ("C1", "C4"), ("D", "D"))):
            complete = set(MODULES[MODULES.index(a):MODULES.index(b) + 1]) <= known
            self.put(f"/carbon/stage_totals/{i}/gwp_kg_co2e_per_m2", fixed(part(a, b)) if complete else None)
            self.put(f"/carbon/stage_totals/{i}/declared_part_kg_co2e_per_m2", fixed(part(a, b)))
        self.value, self.known, self.part = value, known, part
        self.covers, self.gate = [m for m in MODULES if m in known and m != "D"], part("A1", "A3")
        self.total = whole + sum((value[m] for m in self.covers), D(0))
        self.put("/carbon/modules/A1-A3", fixed(self.gate)); self.put("/carbon/cradle_to_gate_kg_co2e_per_m2", fixed(self.gate))
        self.put("/carbon/total_kg_co2e_per_m2", fixed(self.total)); self.put("/carbon/total_kg_co2e_for_area", fixed(self.total * self.s.area))
        self.put("/carbon/beyond_boundary_d_kg_co2e_per_m2", fixed(value["D"]) if "D" in known else None)
        for i, m in enumerate(self.covers):
            self.put(f"/carbon/total_covers/{i}", m)
        self.put("/carbon/total_covers#", len(self.covers))
        for i, kind in enumerate(k for k in KINDS if k in kinds):
            at = f"/carbon/by_source_kind/{i}"
            self.put(at + "/source_kind", kind); self.put(at + "/gwp_kg_co2e_per_m2", fixed(kinds[kind]))
            self.put(at + "/share_percent", fixed(div(kinds[kind] * 100, self.total)) if self.total else None)

    def carbonate(self):  # theory: Carbonation
        c, lines, largest, n = self.a["carbonation"], [], D(0), len(self.flows)
        if "k" in c:
            k, degree = si(c["k"]), D(0)
        else:
            ks, degree = SPEEDS[c["exposure"]]
            k, degree = D(ks.split()[(0, 0, 1, 1, 2, 2, 2, 3, 3, 3)[CLASSES.index(c["strength_class"])]]), D(degree)
        degree = si(c["degree"]) if "degree" in c else degree
        most = {x["item"]: amount(div(si(x["reactive_cao"]) * si(x["clinker"]) * 44, 56)) for x in c["cements"]}
        depth = lambda years: (lambda free: amount(free) if free < self.thickness else self.thickness)((k * CONTEXT34.sqrt(D(years))).scaleb(-3))
        for start, end in self.builds:
            for item, mass in self.parts:
                if self.row(item)["category"] != "cement" or item not in most:
                    continue
                bound = amount(depth(end - start) * mass * degree); gwp = -line(bound * most[item]); largest += line(self.thickness * mass * most[item])
                for name, v in (("module", "B1"), ("item", item), ("year", end), ("amount", printed(bound)), ("factor", plain(-most[item])), ("gwp_kg_co2e_per_m2", fixed(gwp))):
                    self.put(f"/carbon/lines/{n + len(lines)}/{name}", v)
                lines.append((end, gwp))
        first = depth(self.builds[0][1])
        for name, v in (("k_mm_per_sqrt_year", plain(k)), ("degree", plain(degree)), ("years", self.period), ("depth_mm", printed(first * 1000)), ("capped", first == self.thickness),
                        ("largest_uptake_kg_co2e_per_m2", fixed(largest)), ("uptake_kg_co2e_per_m2", fixed(-sum((g for _, g in lines), D(0))))):
            self.put("/carbon/carbonation/" + name, v)
        self.put("/carbon/lines#", n + len(lines))
        return lines

    def valued(self, x, price, year, escalation=D(0)):  # theory: Cost
        growth, discount = div((1 + escalation) ** year, 1), self.s.discount(year)
        return growth, line(x * price * growth), discount, line(x * price * growth * discount)

    def cost(self):
        growths, lines, sums = [], [], {"initial": D(0), "maintenance": D(0), "user": D(0), "residual": D(0)}
        def add(kind, item, year, x, price, escalation=D(0), parent=""):
            v = self.valued(x, price, year, escalation); lines.append((kind, item, year, x, price, *v, parent)); sums[kind] += v[3]
            growths.append(escalation)
        for f in self.flows:
            if not f.unpriced:
                row = self.row(f.item)
                add("maintenance" if f.year else "initial", f.item, f.year, f.amount, D(row["price"]["amount"]), self.s.escalated(f.item, row["category"]), f.parent)
        agency = list(lines)
        for item, year, price in self.user:
            add("user", item, year, ONE, price)
        r, n = self.a.get("residual", {"method": "none"}), self.period
        built = self.builds[-1][0]
        paid = sum((l[6] for l in agency if l[2] == built), D(0)) if built else sums["initial"]
        if r["method"] == "remaining_life":
            bases = [(paid, built, r["life_years"])]
            bases += [(sum((l[6] for l in agency if l[2] == y and item in (l[1], l[9])), D(0)), y, life) for item, y, life in self.lives]
            for value, placed, life in bases:
                if placed + life > n:
                    add("residual", "", n, amount(div(placed + life - n, life)), value)
        elif r["method"] == "straight_line":
            final, life = money(r["final_value"]) if "final_value" in r else D(0), r["life_years"]
            age = n - built
            add("residual", "", n, ONE, amount(div(paid * (life - age) + final * age, life) if age < life else final))
        elif r["method"] == "given":
            add("residual", "", n, ONE, money(r["value"]))
        for k, (kind, item, year, x, price, growth, cost, discount, present, _) in enumerate(lines):
            for name, v in (("kind", kind), ("item", item), ("year", year), ("amount", printed(x)), ("price", plain(price)), ("escalation_factor", plain(growth)),
                            ("cost_per_m2", fixed(cost)), ("discount_factor", plain(discount)), ("present_value_per_m2", fixed(present))):
                self.put(f"/cost/lines/{k}/{name}", v)
        self.put("/cost/lines#", len(lines))
        agency = sums["initial"] + sums["maintenance"] - sums["residual"]
        self.without, self.with_user = agency, agency + sums["user"]
        npv = self.with_user if self.s.user_counts else agency
        if self.s.user_counts is not None:
            for name, v in (("net_present_value_without_user_cost", fixed(agency)), ("net_present_value_with_user_cost", fixed(self.with_user)),
                            ("equivalent_annual_without_user_cost", fixed(agency * self.recovery)), ("equivalent_annual_with_user_cost", fixed(self.with_user * self.recovery))):
                self.put(f"/cost/user_cost/{name}_per_m2", v)
            self.put("/cost/user_cost/included", self.s.user_counts)
        if self.s.carbon_price:
            total = D(0)
            for k, year in enumerate(sorted(self.by_year)):
                price = [p for y, p in self.s.carbon_price if y <= year][-1]; v = self.valued(self.by_year[year], price, year, self.s.growth); total += v[3]
                for name, x in (("year", year), ("kg_co2e_per_m2", fixed(self.by_year[year])), ("price_per_kg", plain(price)), ("growth_factor", plain(v[0])),
                                ("cost_per_m2", fixed(v[1])), ("discount_factor", plain(v[2])), ("present_value_per_m2", fixed(v[3]))):
                    self.put(f"/cost/carbon_price/lines/{k}/{name}", x)
            self.put("/cost/carbon_price/lines#", len(self.by_year))
            self.put("/cost/carbon_price/present_value_per_m2", fixed(total)); self.put("/cost/carbon_price/net_present_value_with_carbon_per_m2", fixed(npv + total))
            if self.s.carbon_counts:
                npv += total; self.put("/cost/carbon_price/in_cost", True)
        self.money = {"initial": sums["initial"], "maintenance_present_value": sums["maintenance"], "residual_value": sums["residual"],
                      "net_present_value": npv, "equivalent_annual": line(npv * self.recovery)}
        for name, v in (*self.money.items(), ("user_present_value", sums["user"] if self.user else None)):
            self.put(f"/cost/{name}_per_m2", fixed(v)); self.put("/cost/for_area/" + name, None if v is None else fixed(v * self.s.area))
        if self.s.nominal is not None:
            self.both_ways([(l, e) for l, e in zip(lines, growths) if l[0] != "user"])

    def both_ways(self, lines):  # theory: Cost, real and nominal terms
        real = nominal = D(0)
        for (kind, _, year, x, price, *_), e in lines:
            value = -x * price if kind == "residual" else x * price
            real += value * div((1 + e) ** year, (1 + self.s.rate) ** year)
            nominal += value * div(((1 + e) * (1 + self.s.inflation)) ** year, (1 + self.s.nominal) ** year)
        for name, v in (("net_present_value_in_real_terms_per_m2", printed(real)), ("net_present_value_in_nominal_terms_per_m2", printed(nominal)),
                        ("difference_per_m2", printed(real - nominal)), ("agree", abs(real - nominal) < D("1e-9"))):
            self.put("/cost/both_ways/" + name, v)

    def hold(self, limits, as_of):  # theory: Interpretation, limits
        c = self.a.get("specified_concrete", {})
        strength = si(c["compressive_strength"]) if "compressive_strength" in c else None
        def row(l):
            for r in l["by_strength"]:
                low, high = (r["compressive_strength"],) * 2 if "compressive_strength" in r else (r.get("from"), r.get("to"))
                inside = strength is not None and (low is None or si(low) <= strength) and (high is None or strength <= si(high))
                if c.get("strength_class") == r["strength_class"] if "strength_class" in r else inside:
                    return r["limit"]
        for k, l in enumerate(limits):
            text = l["by_strength"][0]["limit"] if "by_strength" in l else l["limit"]
            outside = bool(as_of) and (as_of < l.get("valid_from", as_of) or as_of > l.get("valid_until", as_of))
            stages = [("A1", "A3"), ("A4", "A5"), ("B1", "B8"), ("C1", "C4")][:{"A1-A3": 1, "A1-A5": 2, "A1-C4": 4}.get(l["scope"], 0)]
            lacking = any(m not in self.known for a, b in stages for m in MODULES[MODULES.index(a):MODULES.index(b) + 1])
            limit = value = None
            if not outside:
                written = row(l) if "by_strength" in l else l["limit"]
                limit = si(written) * (D(l["high_early_factor"]) if c.get("high_early_strength") and "high_early_factor" in l else 1)
                value = self.gate_m3 if text.endswith("3") else self.total if l["scope"] == "declared" else None if lacking else sum((self.part(*x) for x in stages), D(0))
                self.put(f"/limits/{k}/limit_as_written", written)
            margin = None if value is None else limit - value
            for name, v in (("name", l["name"]), ("scope", l["scope"]), ("per", "m" + text[-1]), ("value_kg_co2e", fixed(value)), ("limit_kg_co2e", fixed(limit)), ("margin_kg_co2e", fixed(margin)),
                            ("margin_percent", fixed(div(margin * 100, limit)) if margin is not None and limit else None),
                            ("state", "not_in_force" if outside else "not_determined" if value is None else "pass" if value <= limit else "fail")):
                self.put(f"/limits/{k}/{name}", v)
            if "declaration" in l:
                self.s.taken.add("whether declarations are what a limit asks for")
        self.put("/limits#", len(limits))

    def impact(self, flow):  # theory: Interpretation, cut-off
        row, share = self.row(flow["item"]), si(flow["mass"])
        per_kg = div(self.factor(Flow(flow["item"], ONE, "A1", factor="process" if row["category"] in PROCESSES else "A1-A3")), self.kg_per_unit(row))
        emitted = line(div(share * self.density * per_kg, 1 - share))
        return emitted, div(emitted, self.gate_m3 + emitted) if self.gate_m3 + emitted else None


class Study:
    """A whole comparison: out has what the result must say, by JSON Pointer."""
    def __init__(self, bundle):
        q, result = bundle["request"], bundle["result"]
        known(q, "/request"); self.meta = bundle["inventory"]["meta"]
        self.rows = {r["code"]: r for r in bundle["inventory"]["rows"]}
        self.default = {r["default_for"]: r["code"] for r in self.rows.values() if "default_for" in r}
        self.assumed = set(); overridden = self.override(q.get("overrides", []))
        self.area, self.period, self.taken, self.out = si(q["functional_unit"]["area"]), q["functional_unit"]["analysis_period_years"], set(), {}
        self.allocation, self.rate, self.carbon_price = q.get("data_requirements", {}).get("allocation"), None, []
        for i, s in enumerate(result["sources"]):
            self.out |= {f"/sources/{i}/overrides/{name}": v for name, v in overridden.get(s["ref"].split("/")[1], {}).items()}
        self.out["/functional_unit/area_m2"], self.out["/functional_unit/analysis_period_years"] = plain(self.area), self.period
        self.lives, self.user_counts, self.carbon_counts, self.nominal, self.discounts = q["functional_unit"].get("unequal_lives"), None, False, None, {}
        if self.lives:
            self.out["/functional_unit/unequal_lives"] = self.lives
        if "economics" in q:
            self.economics(q["economics"])
        self.plans = {p["name"]: p["maintenance"] for p in q.get("strategies", [])}
        self.given = q["alternatives"]; self.names = [a["name"] for a in self.given]
        self.all = []
        for i in range(len(self.given)):
            resolved = self.resolve(i); a = Alternative(self, resolved, result["alternatives"][i]); self.all.append(a)
            self.flatten(f"/alternatives/{i}/resolved", resolved)
            self.out |= {f"/alternatives/{i}{at}": v for at, v in a.out.items()}
        self.out["/alternatives#"] = len(self.given)
        self.compare(q, result)

    def override(self, given):  # theory: Overrides
        stands_for, currency = {}, self.meta["currency"]
        for n, o in enumerate(given):
            row = self.rows[o["item"]]; main = "process" if row["category"] in PROCESSES else "A1-A3"
            price, factor = row.get("price", {}).get("amount"), row.get("factors", {}).get(main)
            stands_for[row["code"]] = {"price": None if price is None else plain(D(price)), "factor": None if factor is None else plain(D(factor)), "pointer": f"/overrides/{n}", "reason": o["reason"]}
            for name, unit in (("price", currency), ("factor", "kg CO2e")):
                if name in o and o[name].split(" ", 1)[1] != unit + "/" + row["unit"]:
                    raise Unknown("the unit of " + repr(o[name]))
            if "price" in o:
                basis = "delivered" if {"A2", "A4"} & set(row.get("factors", {})) else "ex-works"
                row = {**row, "price": {"basis": basis, **row.get("price", {}), "amount": money(o["price"])}}
            if "factor" in o:
                row = {**row, "factors": {**row.get("factors", {}), main: money(o["factor"])}, "factor_data": {}}; self.assumed.add((row["code"], main))
            self.rows[row["code"]] = row
        return stands_for

    def economics(self, e):  # theory: Cost
        real = si
        if "nominal_discount_rate" in e:
            self.nominal, self.inflation = si(e["nominal_discount_rate"]), si(e["inflation"])
            real = lambda text: div(si(text) - self.inflation, 1 + self.inflation)
            for name, value in (("nominal_discount_rate", self.nominal), ("inflation", self.inflation)):
                self.out["/economics/" + name] = plain(value)
        steps = e.get("discount_rate_schedule") or [{"from_year": 0, "rate": e.get("nominal_discount_rate") or e["real_discount_rate"]}]
        self.rates = [(x["from_year"], real(x["rate"])) for x in steps]; self.rate = self.rates[0][1]
        self.out["/economics/real_discount_rate"] = None if "discount_rate_schedule" in e else plain(self.rate)
        for i, (year, rate) in enumerate(self.rates if "discount_rate_schedule" in e else ()):
            self.out[f"/economics/discount_rate_schedule/{i}/from_year"], self.out[f"/economics/discount_rate_schedule/{i}/rate"] = year, plain(rate)
        given = e.get("nominal_escalation") or e.get("real_escalation") or []
        self.escalation = {x.get("item", "category " + x.get("category", "")): real(x["rate"]) for x in given}
        for basis, read in (("real", real),) + ((("nominal", si),) if "nominal_escalation" in e else ()):
            for i, x in enumerate(given):
                for name, value in {**x, "rate": plain(read(x["rate"]))}.items():
                    self.out[f"/economics/{basis}_escalation/{i}/{name}"] = value
            self.out[f"/economics/{basis}_escalation#"] = len(given)
        over, under = self.over(self.period)
        self.out["/economics/uniform_present_value_factor"], self.out["/economics/capital_recovery_factor"] = plain(div(over, under)), plain(div(under, over))
        self.user_counts = e.get("include_user_cost")
        if self.user_counts is not None:
            self.out["/economics/include_user_cost"] = self.user_counts
        c = e.get("carbon_price", {})
        self.growth = si(c["real_growth"]) if "real_growth" in c else real(c["nominal_growth"]) if "nominal_growth" in c else D(0)
        prices = c.get("by_year") or ([{"from_year": 0, "amount": c["amount"]}] if c else [])
        self.carbon_price, self.carbon_counts = [(x["from_year"], money(x["amount"]) / 1000) for x in prices], c.get("in_cost", False)

    def escalated(self, item, category):  # an item goes before its category
        return self.escalation.get(item, self.escalation.get("category " + category, D(0)))

    def rate_of(self, year): return [rate for start, rate in self.rates if start <= year][-1]

    def grown(self, year):  # what 1 grows to at the discount rates up to a year
        return (1 + self.rate) ** year if len(self.rates) == 1 else math.prod((1 + self.rate_of(n) for n in range(1, year + 1)), start=ONE)

    def discount(self, year):
        if year not in self.discounts:
            self.discounts[year] = div(1, self.grown(year))
        return self.discounts[year]

    def over(self, period):  # the sum of the discount factors of the years 1 to the end, as a fraction
        if len(self.rates) == 1:
            g = self.grown(period)
            return (g - 1, self.rate * g) if self.rate else (D(period), ONE)
        total = D(0)
        for year in range(1, period + 1):
            total = total * (1 + self.rate_of(year)) + 1
        return total, self.grown(period)

    def resolve(self, i):  # theory: Alternatives
        chain, merged = [i], {}
        while "like" in self.given[chain[-1]]:
            chain.append(self.names.index(self.given[chain[-1]]["like"]))
        for k in reversed(chain):
            layer, mix = json.loads(json.dumps(self.given[k])), merged.get("mix", {})
            own = layer.get("mix", {}); by_ratio, by_mass = "by_ratio" in own, "constituents" in own
            if by_mass and "by_ratio" in mix and not by_ratio:
                ratios = mix.pop("by_ratio"); mix.pop("add", None); mix.update({"air": ratios["air"]} if "air" in ratios else {})
            elif by_ratio and "by_ratio" not in mix and not by_mass and mix:
                mix.pop("constituents", None); air = mix.pop("air", None); mix["by_ratio"] = {"air": air} if air else {}
            if "maintenance" in layer:
                merged.pop("strategy", None)
            elif "strategy" in layer:
                merged.pop("maintenance", None)
            added = own.pop("add", []); patch(merged, layer)
            if added and "by_ratio" in merged["mix"]:
                merged["mix"]["add"] = merged["mix"].get("add", []) + added
            elif added:
                merged["mix"]["constituents"] = merged["mix"].get("constituents", []) + added
        if "strategy" in merged:
            name = merged.pop("strategy"); merged["maintenance"] = self.plans[name]; self.out[f"/alternatives/{i}/strategy"] = name
        merged["name"] = self.names[i]; merged.pop("like", None)
        return merged

    def flatten(self, at, value):
        if isinstance(value, (dict, list)):
            if isinstance(value, list): self.out[at + "#"] = len(value)
            for k, v in value.items() if isinstance(value, dict) else enumerate(value):
                if not (k in OPAQUE or k == "thickness" and isinstance(v, dict)):
                    self.flatten(f"{at}/{k}", v)
        else:
            self.out[at] = None if value is False else value  # what is not so is left out

    def compare(self, q, result):  # theory: Comparison
        b = self.names.index(q["baseline"]); base = self.all[b]; ranked = all(a.covers == base.covers for a in self.all)
        met = all(r["functional_equivalence"]["met"] for r in result["alternatives"])
        self.taken.add("whether the service is equal"); put = lambda at, v: self.out.__setitem__("/comparison" + at, v)
        thick = lambda a: a.thickness * 1000
        for i, a in enumerate(self.all):
            pairs = [("thickness_mm", thick(a), thick(base)), ("cradle_to_gate_kg_co2e_per_m2", a.gate, base.gate)]
            pairs += [("total_kg_co2e_per_m2", a.total, base.total)] if a.covers == base.covers else []
            pairs += [(k + "_per_m2", v, base.money[k]) for k, v in a.money.items()] if self.rate is not None else []
            for name, v, w in pairs:
                if self.lives == "annual_equivalent" and name in ("maintenance_present_value_per_m2", "residual_value_per_m2", "net_present_value_per_m2", "total_kg_co2e_per_m2"):
                    put(f"/deltas/{i}/{name}", None); continue
                put(f"/deltas/{i}/{name}/absolute", fixed(v - w)); put(f"/deltas/{i}/{name}/relative_percent", fixed(div((v - w) * 100, w)) if w else None)
        rankable = ranked and (met or "equivalence_override" in q)
        def ranking(at, values):
            order = sorted(range(len(self.all)), key=lambda i: (values[i], self.names[i].encode())) if values else []
            for place, i in enumerate(order):
                put(f"{at}/{place}/name", self.names[i]); put(f"{at}/{place}/rank", 1 + sum(v < values[i] for v in values))
            put(at + "#", len(order))
        if self.lives:
            self.unequal(put, ranking if rankable else lambda at, values: None)
        self.beside(q, put)
        annual = self.lives == "annual_equivalent"
        put("/comparable", ranked and met and not annual)
        if not rankable or annual:
            put("/ranking", None); return
        npv = [a.money["net_present_value"] for a in self.all] if self.rate is not None else None
        carbons = [a.total for a in self.all]
        ranking("/ranking/by_total_carbon", carbons); ranking("/ranking/by_net_present_value", npv)
        if self.user_counts is not None:
            ranking("/ranking/by_net_present_value_without_user_cost", [a.without for a in self.all])
            ranking("/ranking/by_net_present_value_with_user_cost", [a.with_user for a in self.all])
        if "objectives" in q or "weighting" in q:
            self.objectives(q, put, base)
        if npv:
            beats = lambda j, i: npv[j] <= npv[i] and carbons[j] <= carbons[i] and (npv[j], carbons[j]) != (npv[i], carbons[i])
            front = [self.names[i] for i in range(len(npv)) if not any(beats(j, i) for j in range(len(npv)))]
            for k, name in enumerate(front):
                put(f"/pareto/{k}", name)
            put("/pareto#", len(front))
            for k, i in enumerate(i for i in range(len(npv)) if i != b):
                dearer, cleaner = npv[i] > npv[b], carbons[i] < carbons[b]
                put(f"/abatement/{k}/name", self.names[i])
                put(f"/abatement/{k}/cost_per_t_co2e", fixed(div((npv[i] - npv[b]) * 1000, carbons[b] - carbons[i])) if dearer and cleaner else None)


    def unequal(self, put, ranking):  # theory: Cost, unequal service lives
        common = math.lcm(*(a.life for a in self.all))
        put("/unequal_lives/method", self.lives); put("/unequal_lives/least_common_multiple_years", common if common <= 100 else None)
        if self.lives == "annual_equivalent":
            yearly = [line(div(a.total, a.period)) for a in self.all]
            for i, a in enumerate(self.all):
                for name, v in (("name", self.names[i]), ("studied_years", a.period), ("total_carbon_kg_co2e_per_m2_year", fixed(yearly[i])),
                                ("equivalent_annual_per_m2", None if self.rate is None else fixed(a.money["equivalent_annual"]))):
                    put(f"/unequal_lives/annual/{i}/{name}", v)
            ranking("/unequal_lives/by_annual_carbon", yearly)
            if self.rate is not None:
                ranking("/unequal_lives/by_equivalent_annual", [a.money["equivalent_annual"] for a in self.all])

    def beside(self, q, put):  # theory: Interpretation
        for i, a in enumerate(self.all if "limits" in q else ()):
            a.hold(q["limits"], q.get("data_requirements", {}).get("as_of"))
            self.out |= {f"/alternatives/{i}{at}": v for at, v in a.out.items() if at.startswith("/limits")}
        if "checks" in q or "goal_and_scope" in q:
            self.taken.add("goal and scope, the three checks and what is indistinguishable")
        if "cut_off" not in q:
            return
        sums = {}
        for i, f in enumerate(q["cut_off"]):
            shares, m = (si(f["mass"]), si(f["energy"])), f["module"]
            stage = m if m in ("A0", "D") else "A4-A5" if m in ("A4", "A5") else "A1-A3" if m[0] == "A" else "C1-C4" if m[0] == "C" else "B6-B8" if m >= "B6" else "B1-B5"
            sums[stage] = tuple(a + b for a, b in zip(sums.get(stage, (0, 0)), shares))
            put(f"/cut_off/flows/{i}/mass_percent", plain(shares[0] * 100)); put(f"/cut_off/flows/{i}/energy_percent", plain(shares[1] * 100))
            counted = [a for a in self.all if all(item != f["item"] for item, _ in a.parts)] if "item" in f else []
            for k, a in enumerate(counted):
                emitted, part = a.impact(f); at = f"/cut_off/flows/{i}/impacts/{k}"
                for name, v in (("name", a.a["name"]), ("kg_co2e_per_m3", fixed(emitted)), ("percent_of_a1_a3", None if part is None else fixed(part * 100)), ("above_the_cut_off", part is not None and part > D("0.01"))):
                    put(f"{at}/{name}", v)
            put(f"/cut_off/flows/{i}/impacts#", len(counted))
        for i, (stage, (mass, energy)) in enumerate(sums.items()):
            for name, v in (("modules", stage), ("mass_percent", plain(mass * 100)), ("energy_percent", plain(energy * 100)), ("limit_percent", "5")):
                put(f"/cut_off/modules/{i}/{name}", v)

    def objectives(self, q, put, base):  # theory: Interpretation, objectives and weights
        measures = q.get("objectives", [{"measure": "net_present_value"}, {"measure": "total_carbon"}])
        def measure(a, o):
            of = {"total_carbon": a.total, "cradle_to_gate_carbon": a.gate, "thickness": a.thickness * 1000}
            if o["measure"] == "carbon_of_modules":
                return sum((a.gate if m == "A1-A3" else a.value[m] for m in o["modules"]), D(0))
            return of[o["measure"]] if o["measure"] in of else a.money[{"net_present_value": "net_present_value", "initial_cost": "initial"}[o["measure"]]]
        points = {a.a["name"]: [measure(a, o) for o in measures] for a in self.all}
        names = sorted(points, key=str.encode); below = lambda p, q: p != q and all(x <= y for x, y in zip(p, q))
        worse = {n: [m for m in names if below(points[m], points[n])] for n in names}
        for i, n in enumerate(names):
            at = f"/objectives/dominance/{i}"
            put(at + "/name", n); put(at + "/class", "dominated" if worse[n] else "on_front"); put(at + "/dominated_by#", len(worse[n]))
            for k, v in enumerate(points[n]):
                put(f"{at}/values/{k}", fixed(v))
            for k, m in enumerate(worse[n]):
                put(f"{at}/dominated_by/{k}", m)
        front = [n for n in names if not worse[n]]
        for i, n in enumerate(front):
            put(f"/objectives/pareto/{i}", n)
        put("/objectives/pareto#", len(front))
        if "weighting" not in q:
            return
        self.taken.add("the ranks over all weights")
        weights, columns = [D(w) for w in q["weighting"]["weights"]], list(zip(*points.values()))
        least = [min(c) for c in columns] if q["weighting"]["normalisation"] == "min_max" else [D(0)] * len(columns)
        span = [max(c) - min(c) for c in columns] if q["weighting"]["normalisation"] == "min_max" else points[base.a["name"]]
        for k, w in enumerate(weights):
            at = f"/objectives/weighting/scales/{k}"
            put(f"/objectives/weighting/weights/{k}", plain(w)); put(at + "/subtracted", fixed(least[k])); put(at + "/divided_by", fixed(span[k]))
        spans = [x or ONE for x in span]; whole = math.prod(spans, start=ONE)  # over one denominator, exactly
        exact = {n: sum((w * (v - z) * math.prod(spans[:k] + spans[k + 1:], start=ONE) for k, (w, v, z) in enumerate(zip(weights, p, least))), D(0)) for n, p in points.items()}
        for place, n in enumerate(sorted(names, key=lambda n: (exact[n], n.encode()))):
            at = f"/objectives/weighting/ranking/{place}"
            put(at + "/name", n); put(at + "/rank", 1 + sum(v < exact[n] for v in exact.values())); put(at + "/score", fixed(div(exact[n], whole)))


def due(start, first, again, end):  # first at an age, then each time that its own life ends
    return list(range(start + first, end, again)) if again else [start + first] * (start + first < end)

def patch(target, layer):  # RFC 7396 without null
    for k, v in layer.items():
        if isinstance(v, dict) and isinstance(target.get(k), dict):
            patch(target[k], v)
        else:
            target[k] = v

def known(value, at):  # refuse what a later version of the request may say
    for k, v in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        if isinstance(k, str) and k not in KNOWN | OPAQUE:
            raise Unknown(f"{at}/{k}")
        if not (k in OPAQUE or k == "equivalence_override" or k == "thickness" and isinstance(v, dict)):
            known(v, f"{at}/{k}")

def escape(name): return str(name).replace("~", "~0").replace("/", "~1")

def first(out, value, at, seen):
    """The first difference of a stated result, in its own order."""
    if at in out:
        seen.add(at)
        same = type(value) is type(out[at]) and value == out[at]
        return None if same else (at, value, out[at])
    if isinstance(value, list) and at + "#" in out:
        seen.add(at + "#")
        if len(value) > (out[at + "#"] or 0):
            return (f"{at}/{out[at + '#'] or 0}", "an entry", None)
    for k, v in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        found = first(out, v, f"{at}/{escape(k)}", seen)
        if found:
            return found
    return None

def leaves(v): return sum(map(leaves, v.values() if isinstance(v, dict) else v)) if isinstance(v, (dict, list)) else 1

def follow(value, at):
    for step in at.split("/")[1:]:
        value = value[int(step)] if isinstance(value, list) else value[step]
    return value

def check(bundle):
    """None or (pointer, stated, computed), what was taken as printed, members recomputed and all."""
    if bundle.get("bundle_version") != 1:
        raise Unknown("/bundle_version")
    h, result = bundle["hashes"], bundle["result"]
    computed = {"request": sha(bundle["request"]), "inventory_rows": sha(bundle["inventory"]["rows"]), "result": sha(result)}
    computed["bundle"] = sha({**bundle, "hashes": computed})
    study, seen = Study(bundle), set()
    found = first(study.out, result, "", seen)
    missing = [at for at in study.out if at not in seen and not at.endswith("#") and study.out[at] is not None]
    if not found and missing:
        found = (missing[0], None, study.out[missing[0]])
    where = re.match(r"/alternatives/(\d+)/resolved/(.*)", found[0]) if found else None
    if where and h["request"] != computed["request"] and h["result"] == computed["result"]:
        k = int(where[1])  # the request was changed after the result was computed
        while True:
            at = f"/request/alternatives/{k}/{where[2]}"
            try:
                return (at, follow(bundle, at), found[1]), study.taken, len(seen), leaves(result)
            except (KeyError, IndexError, TypeError):
                if "like" not in study.given[k]:
                    break
                k = study.names.index(study.given[k]["like"])
    if found:
        found = ("/result" + found[0], *found[1:])
    kept = h["result"] == computed["result"]  # then what the bundle says beside it was changed
    for at, stated, repeated in (("/inventory/ref", bundle["inventory"]["ref"], result["inventory"]["ref"]),
                                 ("/inventory/hash", bundle["inventory"]["hash"], result["inventory"]["hash"]),
                                 ("/engine_version", bundle["engine_version"], result["engine_version"])):
        if kept and not found and stated != repeated:
            found = (at, stated, repeated)
    for name, value in computed.items() if not found else ():
        if h.get(name) != value and not found:
            found = ("/hashes/" + name, h.get(name), value)
    if not found and result["request_hash"] != computed["request"]:
        found = ("/result/request_hash", result["request_hash"], computed["request"])
    if not found and bundle["engine_version"] != result["engine_version"]:
        found = ("/engine_version", bundle["engine_version"], result["engine_version"])
    return found, study.taken, len(seen), leaves(result)

def strict(pairs):
    members = {}
    for name, value in pairs:
        if name in members:
            raise ValueError(f"the member {name!r} stands twice in one object")
        members[name] = value
    return members

def refuse(text): raise ValueError("a number with a fraction: " + text)

def read(text): return json.loads(text, object_pairs_hook=strict, parse_float=refuse, parse_constant=refuse)

def main(args):
    if args == ["--lines"]:
        for text in sys.stdin:
            try:
                found = check(read(text))[0]
                print(f"differs {found[0]}" if found else "match", flush=True)
            except Unknown as e:
                print("unknown", e, flush=True)
            except Exception as e:  # a changed bundle may not compute at all
                print("error", repr(e), flush=True)
        return 0
    if len(args) != 1:
        print(__doc__); return 2
    try:
        found, taken, recomputed, total = check(read(open(args[0], encoding="utf-8").read()))
    except Unknown as e:
        print("cannot be checked: this checker does not know", e); return 2
    except Exception as e:
        print("cannot be checked, no bundle that computes:", repr(e)); return 2
    print(f"{recomputed} members of the result were computed again, of {total}; the others are texts and what follows from")
    print("these, taken as printed: " + ", ".join(sorted(taken)) + ". All of them are under the hash.")
    if found:
        print(f"DIFFERS at {found[0]}: the bundle has {found[1]!r}, computed {found[2]!r}"); return 1
    print("match"); return 0

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
