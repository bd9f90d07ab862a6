#!/usr/bin/env python3
"""Compute a bundle of POST /v1/bundles again, offline, with Python's standard library.

    python3 verify.py bundle.json      exit 0: match, 1: a difference, 2: cannot be checked
    python3 verify.py --lines          a bundle a line on standard input, an answer a line

It shares no code with the service and follows docs/theory.md, whose sections it names.
What it takes as printed, it says.
"""
import hashlib, json, re, sys
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
 user_cost every_years years module life_years method final_value value as_of strict allocation other_layers""".split())
OPAQUE = {"service", "by_ratio"}  # not read here: what follows from them is taken as printed
YARD, POUND, GALLON = D("0.9144"), D("0.45359237"), D("0.003785411784")
UNITS = {  # theory: Units. (numerator, denominator) of the SI value of one unit
    "mm": (D("0.001"), 1), "cm": (D("0.01"), 1), "m": (1, 1), "km": (1000, 1), "in": (D("0.0254"), 1), "ft": (D("0.3048"), 1),
    "yd": (YARD, 1), "mi": (D("1609.344"), 1), "m2": (1, 1), "ha": (10000, 1), "ft2": (D("0.3048") ** 2, 1), "yd2": (YARD**2, 1),
    "kg/m3": (1, 1), "t/m3": (1000, 1), "g/cm3": (1000, 1), "lb/yd3": (POUND, YARD**3), "lb/ft3": (POUND, D("0.3048") ** 3),
    "L/m3": (D("0.001"), 1), "mL/m3": (D("0.000001"), 1), "gal/yd3": (GALLON, YARD**3), "%": (D("0.01"), 1),
    "kWh/m3": (3600000, 1), "MJ/m3": (1000000, 1), "kWh/yd3": (3600000, YARD**3)}


class Unknown(Exception):
    """Something that this checker does not know, so that it cannot check."""


def div(a, b):  # theory: Rounding. 34 significant digits, half to even
    return CONTEXT34.divide(D(a), D(b))

def rounded(x, places):
    return x if -x.as_tuple().exponent <= places else x.quantize(D(1).scaleb(-places))

def amount(x): return rounded(D(x), 12)
def line(x): return rounded(D(x), 6)
def plain(x): return format(x.normalize() if x else D(0), "f")
def fixed(x): return None if x is None else format(line(x).quantize(D("0.000001")), "f")

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
        if isinstance(self.slab["thickness"], str):
            self.thickness = si(self.slab["thickness"])
            self.put("/thickness_mm", plain(self.thickness * 1000))
        else:
            self.thickness = D(stated["thickness_mm"]).scaleb(-3); study.taken.add("a thickness that a method sized")
        self.takeoff(); self.proportion(); self.staged(); self.bill(); self.quantities(); self.carbon()
        if study.rate is not None:
            self.cost()

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
            self.s.taken.add("proportions that are given by ratios")
            self.parts = [(c["item"], D(c["mass_kg_per_m3"])) for c in stated["constituents"]]
            self.included, air, open_at = {}, D(stated["air_percent"]) / 100, None
        else:
            parts, self.included, open_at = [], {}, None
            binder = sum(amount(si(c["amount"])) for c in self.mix["constituents"] if self.row(c["item"])["category"] in ("cement", "scm"))
            for i, c in enumerate(self.mix["constituents"]):
                text, row = c["amount"], self.row(c["item"])
                if "transport" in c:
                    self.included[c["item"]] = True
                if text == "balance":
                    open_at, mass = i, None
                elif text.endswith(" of binder"):
                    mass = amount(si(text[:-len(" of binder")]) * binder)
                elif text.endswith(" by volume") or text.split(" ")[1] in ("L/m3", "mL/m3", "gal/yd3"):
                    mass = amount(si(text.removesuffix(" by volume")) * D(row["density_kg_per_m3"]))
                else:
                    mass = amount(si(text))
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
        for m in self.a.get("maintenance", []):
            years = [y for y in m.get("years") or range(m["every_years"], self.s.period, m["every_years"]) if y < self.s.period]
            for y in years:
                self.operation(m, m.get("module") or self.row(m["item"])["module"], y)
            if m.get("life_years") and years:
                self.lives.append((m["item"], max(years), m["life_years"]))
        for o in self.a.get("end_of_life", []):
            own = o["module"] == "D" or o["module"] in self.row(o["item"]).get("factors", {})
            self.operation(o, o["module"], self.s.period, o["module"] if own else "", True)

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
                kind = self.row(f.item)["factor_source"]["kind"]; kinds[kind] = kinds.get(kind, 0) + gwp
                self.by_year[f.year] = self.by_year.get(f.year, 0) + gwp
            for name, v in (("module", f.module), ("item", f.item), ("year", f.year), ("amount", printed(f.amount)), ("factor", plain(self.factor(f))), ("gwp_kg_co2e_per_m2", fixed(gwp))):
                self.put(f"/carbon/lines/{n}/{name}", v)
        self.put("/carbon/lines#", len(self.flows)); known |= declared
        for i, m in enumerate(MODULES):
            self.put(f"/carbon/module_states/{i}/state", "declared" if m in declared else "zero_with_reason" if m in known else "not_declared")
            if m not in ("A1", "A2", "A3"):
                self.put("/carbon/modules/" + m, fixed(value[m]) if m in known else None)
        part = lambda a, b: sum((value[m] for m in MODULES[MODULES.index(a):MODULES.index(b) + 1] if m in known), whole if a == "A1" else D(0))
        for i, (a, b) in enumerate((("A1", "A3"), ("A4", "A5"), ("B1", "B8"), ("C1", "C4"), ("D", "D"))):
            complete = set(MODULES[MODULES.index(a):MODULES.index(b) + 1]) <= known
            self.put(f"/carbon/stage_totals/{i}/gwp_kg_co2e_per_m2", fixed(part(a, b)) if complete else None)
            self.put(f"/carbon/stage_totals/{i}/declared_part_kg_co2e_per_m2", fixed(part(a, b)))
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

    def valued(self, x, price, year, escalation=D(0)):  # theory: Cost
        growth, discount = div((1 + escalation) ** year, 1), div(1, (1 + self.s.rate) ** year)
        return growth, line(x * price * growth), discount, line(x * price * growth * discount)

    def cost(self):
        lines, sums = [], {"initial": D(0), "maintenance": D(0), "user": D(0), "residual": D(0)}
        def add(kind, item, year, x, price, escalation=D(0), parent=""):
            v = self.valued(x, price, year, escalation); lines.append((kind, item, year, x, price, *v, parent)); sums[kind] += v[3]
        for f in self.flows:
            if not f.unpriced:
                row = self.row(f.item)
                add("maintenance" if f.year else "initial", f.item, f.year, f.amount, D(row["price"]["amount"]), self.s.escalation.get(row["category"], D(0)), f.parent)
        agency = list(lines)
        for item, year, price in self.user:
            add("user", item, year, ONE, price)
        r, n = self.a.get("residual", {"method": "none"}), self.s.period
        if r["method"] == "remaining_life":
            bases = [(sums["initial"], 0, r["life_years"])]
            bases += [(sum((l[6] for l in agency if l[2] == y and item in (l[1], l[9])), D(0)), y, life) for item, y, life in self.lives]
            for value, placed, life in bases:
                if placed + life > n:
                    add("residual", "", n, amount(div(placed + life - n, life)), value)
        elif r["method"] == "straight_line":
            final, life = money(r["final_value"]) if "final_value" in r else D(0), r["life_years"]
            add("residual", "", n, ONE, amount(div(sums["initial"] * (life - n) + final * n, life) if n < life else final))
        elif r["method"] == "given":
            add("residual", "", n, ONE, money(r["value"]))
        for k, (kind, item, year, x, price, growth, cost, discount, present, _) in enumerate(lines):
            for name, v in (("kind", kind), ("item", item), ("year", year), ("amount", printed(x)), ("price", plain(price)), ("escalation_factor", plain(growth)),
                            ("cost_per_m2", fixed(cost)), ("discount_factor", plain(discount)), ("present_value_per_m2", fixed(present))):
                self.put(f"/cost/lines/{k}/{name}", v)
        self.put("/cost/lines#", len(lines))
        npv = sums["initial"] + sums["maintenance"] - sums["residual"]
        self.money = {"initial": sums["initial"], "maintenance_present_value": sums["maintenance"], "residual_value": sums["residual"],
                      "net_present_value": npv, "equivalent_annual": line(npv * self.s.recovery)}
        for name, v in (*self.money.items(), ("user_present_value", sums["user"] if self.user else None)):
            self.put(f"/cost/{name}_per_m2", fixed(v)); self.put("/cost/for_area/" + name, None if v is None else fixed(v * self.s.area))
        if self.s.carbon_price:
            total = D(0)
            for k, year in enumerate(sorted(self.by_year)):
                price = [p for y, p in self.s.carbon_price if y <= year][-1]; v = self.valued(self.by_year[year], price, year, self.s.growth); total += v[3]
                for name, x in (("year", year), ("kg_co2e_per_m2", fixed(self.by_year[year])), ("price_per_kg", plain(price)), ("growth_factor", plain(v[0])),
                                ("cost_per_m2", fixed(v[1])), ("discount_factor", plain(v[2])), ("present_value_per_m2", fixed(v[3]))):
                    self.put(f"/cost/carbon_price/lines/{k}/{name}", x)
            self.put("/cost/carbon_price/present_value_per_m2", fixed(total)); self.put("/cost/carbon_price/net_present_value_with_carbon_per_m2", fixed(npv + total))


class Study:
    """A whole comparison: out has what the result must say, by JSON Pointer."""
    def __init__(self, bundle):
        q, result = bundle["request"], bundle["result"]
        known(q, "/request")
        self.rows = {r["code"]: r for r in bundle["inventory"]["rows"]}
        self.default = {r["default_for"]: r["code"] for r in self.rows.values() if "default_for" in r}
        self.area, self.period, self.taken, self.out = si(q["functional_unit"]["area"]), q["functional_unit"]["analysis_period_years"], set(), {}
        self.allocation, self.rate, self.carbon_price = q.get("data_requirements", {}).get("allocation"), None, []
        self.out["/functional_unit/area_m2"], self.out["/functional_unit/analysis_period_years"] = plain(self.area), self.period
        if "economics" in q:
            e = q["economics"]; self.rate, n = si(e["real_discount_rate"]), self.period
            self.escalation = {x["category"]: si(x["rate"]) for x in e.get("real_escalation", [])}
            g = (1 + self.rate) ** n
            over, under = (g - 1, self.rate * g) if self.rate else (D(n), ONE)
            self.recovery, uniform = div(under, over), div(over, under)
            c = e.get("carbon_price", {}); self.growth = si(c["real_growth"]) if "real_growth" in c else D(0)
            steps = c.get("by_year") or ([{"from_year": 0, "amount": c["amount"]}] if c else [])
            self.carbon_price = [(s["from_year"], money(s["amount"]) / 1000) for s in steps]
            for name, v in (("real_discount_rate", self.rate), ("uniform_present_value_factor", uniform), ("capital_recovery_factor", self.recovery)):
                self.out["/economics/" + name] = plain(v)
        self.given = q["alternatives"]; self.names = [a["name"] for a in self.given]
        self.all = []
        for i in range(len(self.given)):
            resolved = self.resolve(i); a = Alternative(self, resolved, result["alternatives"][i]); self.all.append(a)
            self.flatten(f"/alternatives/{i}/resolved", resolved)
            self.out |= {f"/alternatives/{i}{at}": v for at, v in a.out.items()}
        self.out["/alternatives#"] = len(self.given)
        self.compare(q, result)

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
            added = own.pop("add", []); patch(merged, layer)
            if added and "by_ratio" in merged["mix"]:
                merged["mix"]["add"] = merged["mix"].get("add", []) + added
            elif added:
                merged["mix"]["constituents"] = merged["mix"].get("constituents", []) + added
        merged["name"] = self.names[i]; merged.pop("like", None)
        return merged

    def flatten(self, at, value):
        if isinstance(value, (dict, list)):
            if isinstance(value, list): self.out[at + "#"] = len(value)
            for k, v in value.items() if isinstance(value, dict) else enumerate(value):
                if not (k in OPAQUE or k == "thickness" and isinstance(v, dict)):
                    self.flatten(f"{at}/{k}", v)
        else:
            self.out[at] = value

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
                put(f"/deltas/{i}/{name}/absolute", fixed(v - w)); put(f"/deltas/{i}/{name}/relative_percent", fixed(div((v - w) * 100, w)) if w else None)
        put("/comparable", ranked and met)
        if not ranked or not (met or "equivalence_override" in q):
            put("/ranking", None); return
        npv = [a.money["net_present_value"] for a in self.all] if self.rate is not None else None
        carbons = [a.total for a in self.all]
        for name, values in (("by_total_carbon", carbons), ("by_net_present_value", npv)):
            order = sorted(range(len(self.all)), key=lambda i: (values[i], self.names[i].encode())) if values else []
            for place, i in enumerate(order):
                put(f"/ranking/{name}/{place}/name", self.names[i]); put(f"/ranking/{name}/{place}/rank", 1 + sum(v < values[i] for v in values))
            put(f"/ranking/{name}#", len(order))
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
    for name, value in computed.items() if not found else ():
        if h.get(name) != value and not found:
            found = ("/hashes/" + name, h.get(name), value)
    if not found and result["request_hash"] != computed["request"]:
        found = ("/result/request_hash", result["request_hash"], computed["request"])
    if not found and bundle["engine_version"] != result["engine_version"]:
        found = ("/engine_version", bundle["engine_version"], result["engine_version"])
    return found, study.taken, len(seen), leaves(result)

def strict(pairs):
    if len({k for k, _ in pairs}) < len(pairs):
        raise ValueError("a member stands twice")
    return dict(pairs)

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
