#!/usr/bin/env python3
"""A hundred alternatives against a workbook: the same arithmetic, in one run.

    python3 docs/benchmarks/libreoffice.py [rounds]

Run at the top of the project, with Go on the path, LibreOffice Calc, and a Python that
has its bridge (Debian: python3-uno, and then /usr/bin/python3). The alternatives are
the staged fibre slab of testdata/demo/comparison.json at 20 thicknesses and 5 fibre
dosages. The workbook has a row for each, its inputs as cells, the prices and factors of
the inventory on a sheet of their own, and live formulas for the mix (balance by absolute
volume, two stages), the amounts per m3 and per m2, haulage, waste, carbon and cost lines
rounded to 6 decimals, escalation, discounting, the residual value and the totals. What
an answer also says (quantities for the area, ratios of water, names, sources, ranks) it
leaves out, and what all rows share, such as discount factors, it computes once.

In turns: calculateAll of the workbook in memory, its headless conversion, a request of
each operation to a service on loopback, and the engine alone by its benchmark. The
inputs are written anew before each calculateAll, and the totals must move with them. At
the end every total of the workbook is held against the answers of the service. The process
ends with an error where one differs.
"""

import contextlib
import csv
import http.client
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.connection import NoConnectException

THICKNESSES = [f"{mm} mm" for mm in range(200, 300, 5)]
DOSAGES = ["0.3", "0.4", "0.5", "0.6", "0.7"]  # per cent by volume
ESCALATION = {"operation": "1", "fuel": "1.5", "plant": "0.5"}  # per cent a year, invented
TOLERANCE = 1e-9  # relative, of binary numbers against decimals
DISTANCE = {"cement": 120, "aggregate": 35, "concrete": 18}  # km, as the demo has them


def study():
    """The staged fibre slab of the demo in full, and what its comparison shares."""
    with open("testdata/demo/comparison.json") as f:
        demo = json.load(f)
    plain, fibre, staged = demo["alternatives"]
    base = plain | {"name": "base", "slab": plain["slab"] | {"thickness": THICKNESSES[0]}}
    base["mix"] = plain["mix"] | {"constituents": constituents(plain, fibre, DOSAGES[0]), "stages": staged["mix"]["stages"]}
    rates = [{"category": c, "rate": r + " %"} for c, r in ESCALATION.items()]
    shared = {"inventory": demo["inventory"], "functional_unit": demo["functional_unit"],
              "economics": demo["economics"] | {"real_escalation": rates}}
    return base, shared, lambda dosage: {"constituents": constituents(plain, fibre, dosage)}


def constituents(plain, fibre, dosage):
    return plain["mix"]["constituents"] + [fibre["mix"]["add"][0] | {"amount": dosage + " % by volume"}]


def requests():
    """The same hundred alternatives as each operation takes them."""
    base, shared, mix = study()
    name = lambda t, d: f"{t} | {d}"
    listed = []
    for t in THICKNESSES:
        for d in DOSAGES:
            if not listed:
                listed.append(base | {"name": name(t, d)})
            elif t == THICKNESSES[0]:
                listed.append({"name": name(t, d), "like": listed[0]["name"], "mix": mix(d)})
            else:
                listed.append({"name": name(t, d), "like": name(THICKNESSES[0], d), "slab": {"thickness": t}})
    thickness = {"name": "thickness", "variants": [{"name": t, "slab": {"thickness": t}} for t in THICKNESSES]}
    dosage = {"name": "dosage", "variants": [{"name": d, "mix": mix(d)} for d in DOSAGES]}
    steps = {"name": "thickness", "pointer": "/slab/thickness", "values": THICKNESSES}
    amounts = {"name": "dosage", "pointer": "/mix/constituents/5/amount", "values": [d + " % by volume" for d in DOSAGES]}
    return {
        "comparisons": shared | {"baseline": listed[0]["name"], "alternatives": listed},
        "grids": shared | {"alternative": base, "axes": [thickness, dosage]},
        "search": shared | {"alternative": base, "axes": [steps, amounts], "minimise": "net_present_value"},
    }


class Items:
    """The sheet of prices and factors, from the CSV of the demo."""

    def __init__(self):
        with open("testdata/demo/items.csv", newline="") as f:
            self.of = {r["code"]: r for r in csv.DictReader(f)}
        self.columns = ["density_kg_per_m3", "solids_percent", "batch_volume_m3", "price", "gwp_a1_a3", "gwp_process", "gwp_a2", "gwp_a4"]
        self.at = {code: n + 1 for n, code in enumerate(self.of)}

    def rows(self):
        number = lambda text: float(text) if text else ""
        return [tuple([code] + [number(r[c]) for c in self.columns]) for code, r in self.of.items()]

    def cell(self, code, column):
        assert self.of[code][column], (code, column)
        return f"$items.${column_name(1 + self.columns.index(column))}${self.at[code]}"

    def main(self, code):
        return self.cell(code, "gwp_process" if self.of[code]["gwp_process"] else "gwp_a1_a3")

    def recipe(self, code):
        """The parts of an item with their amounts, or the item itself."""
        text = self.of[code]["recipe"]
        return [p.strip().split("=") for p in text.split(";")] if text else [(code, "1")]


def column_name(n):
    return (column_name(n // 26 - 1) if n >= 26 else "") + chr(65 + n % 26)


class Sheet:
    """Formulas by column; a row is an alternative. A name stands for its cell."""

    def __init__(self):
        self.names, self.formulas = {}, []

    def add(self, formula, name=None):
        name = name or f"c{len(self.formulas)}"
        self.names[name] = column_name(len(self.formulas))
        self.formulas.append(re.sub(r"\[(\w+)\]", lambda m: self.names[m[1]] + "{row}", formula))
        return f"[{name}]"

    def rows(self, first, count):
        return [tuple("=" + f.replace("{row}", str(row)) for f in self.formulas) for row in range(first, first + count)]


INPUTS = ["thickness", "dosage", "cement", "water", "gravel", "superplasticiser", "air", "waste"]
PERIOD, RATE, SLAB_LIFE = 40, 0.03, 50
LANE, SPACING = 3.65, 4.5  # m
DOWELS, TIES = 12, 5  # a joint of the lane at 300 mm, a panel at 760 mm
TOTALS = ["concrete_a1_a3_kg_co2e_per_m3", "cradle_to_gate_kg_co2e_per_m2", "total_kg_co2e_per_m2", "initial_per_m2",
          "maintenance_present_value_per_m2", "residual_value_per_m2", "net_present_value_per_m2", "equivalent_annual_per_m2"]


def parameters():
    """The sheet of what all rows share: its cells, and where each is."""
    n = 0
    cells, at = [], {}

    def put(name, formula):
        nonlocal n
        n += 1
        cells.append((name, formula))
        at[name] = f"$shared.$B${n}"

    put("rate", str(RATE))
    for category, rate in ESCALATION.items():
        put("escalation " + category, f"={rate}/100")
    for year in (10, 12, 20, 24, 25, 30, PERIOD):
        put(f"discount {year}", f"=1/(1+{at['rate']})^{year}")
        for category in ESCALATION:
            put(f"growth {category} {year}", f"=(1+{at['escalation ' + category]})^{year}")
    put("recovery", f"={at['rate']}*(1+{at['rate']})^{PERIOD}/((1+{at['rate']})^{PERIOD}-1)")
    put("joint", f"=ROUND(1/{SPACING};12)+ROUND(1/{LANE};12)")
    put("dowels", f"=ROUND({DOWELS}/({SPACING}*{LANE});12)")
    put("ties", f"=ROUND({TIES}/({SPACING}*{LANE});12)")
    put("life left", f"=ROUND(({SLAB_LIFE}-{PERIOD})/{SLAB_LIFE};12)")
    for category, km in DISTANCE.items():
        put("km " + category, str(km))
    return cells, at


def formulas(items, at):
    """The sheet of the alternatives, and the columns of its totals."""
    s = Sheet()
    for i, name in enumerate(INPUTS):
        s.add(f"$inputs.{column_name(i)}{{row}}", name)
    flows_of_concrete(s, items, at)
    gate, total, initial, maintenance = [], [], [], []

    def line(module, code, amount, factor, priced, year=0):
        gwp = s.add(f"ROUND({amount}*{factor};6)")
        total.append(gwp)
        if module in ("A1", "A2", "A3", "A1-A3"):
            gate.append(gwp)
        if not priced:
            return
        price, category = items.cell(code, "price"), items.of[code]["category"]
        if not year:
            initial.append(s.add(f"ROUND({amount}*{price};6)"))
            return
        cost = f"{amount}*{price}*{at[f'growth {category} {year}']}"
        s.add(f"ROUND({cost};6)")
        maintenance.append(s.add(f"ROUND({cost}*{at[f'discount {year}']};6)"))

    concrete = []
    for module, code, amount, factor, priced in s.concrete:
        gwp = s.add(f"ROUND({amount}*{factor};6)")
        if module in ("A1", "A2", "A3"):
            concrete.append(gwp)
            if priced:
                s.add(f"ROUND({amount}*{items.cell(code, 'price')};6)")
        line(module, code, s.add(f"ROUND({amount}*[thickness]/1000;12)"), factor, priced)
    base = s.add(f"ROUND(0.15*{items.cell('crushed-stone-base', 'density_kg_per_m3')}/1000;12)")
    for code, amount in (("dowel-32", at["dowels"]), ("tie-bar-13", at["ties"]), ("sealant-silicone", at["joint"]), ("crushed-stone-base", base), ("curing-compound", "1")):
        line("A1-A3", code, amount, items.main(code), True)
        line("A4", code, amount, items.cell(code, "gwp_a4"), False)
    works = [("A5", "base-laying", "1", 0), ("A5", "paving-slipform", "1", 0), ("A5", "joint-sawing", at["joint"], 0)]
    works += [("B2", "joint-resealing", at["joint"], y) for y in (10, 20, 30)]
    works += [("B3", "partial-patching", "0.015", y) for y in (12, 24)]
    works += [("B2", "surface-grinding", "1", 25)]
    for module, code, amount, year in works:
        for part, share in items.recipe(code):
            line(module, part, s.add(f"ROUND({amount}*{share};12)"), items.main(part), True, year)
    summed = lambda cells: "SUM(" + ";".join(cells) + ")"
    s.add(summed(concrete), "concrete_a1_a3_kg_co2e_per_m3")
    s.add(summed(gate), "cradle_to_gate_kg_co2e_per_m2")
    s.add(summed(total), "total_kg_co2e_per_m2")
    s.add(summed(initial), "initial_per_m2")
    s.add(summed(maintenance), "maintenance_present_value_per_m2")
    s.add(f"ROUND({at['life left']}*[initial_per_m2]*{at[f'discount {PERIOD}']};6)", "residual_value_per_m2")
    s.add("[initial_per_m2]+[maintenance_present_value_per_m2]-[residual_value_per_m2]", "net_present_value_per_m2")
    s.add(f"ROUND([net_present_value_per_m2]*{at['recovery']};6)", "equivalent_annual_per_m2")
    s.lines = len(total) + len(initial) + len(maintenance)
    return s


def flows_of_concrete(s, items, at):
    """The mix and its flows per m3: module, item, amount, factor, whether it is paid."""
    density = lambda code: items.cell(code, "density_kg_per_m3")
    sp = s.add("ROUND([superplasticiser]/100*[cement];12)")
    fibre = s.add(f"ROUND([dosage]/100*{density('fibre-pp-macro')};12)")
    given = [("cement-cem-i", "[cement]"), ("water-mains", "[water]"), ("gravel-20", "[gravel]"), ("superplasticiser", sp), ("fibre-pp-macro", fibre)]
    volumes = [s.add(f"{mass}/{density(code)}") for code, mass in given]
    sand = s.add(f"ROUND((1-[air]/100-{'-'.join(volumes)})*{density('sand-washed')};12)")
    parts = given[:3] + [("sand-washed", sand)] + given[3:]
    fresh = s.add("+".join(mass for _, mass in parts))
    slurry_cement = s.add("ROUND(0.25*[cement];12)")
    slurry_water = s.add(f"ROUND({slurry_cement}*0.3;12)")
    slurry = s.add(f"ROUND({slurry_cement}/{density('cement-cem-i')}+{slurry_water}/{density('water-mains')}+{fibre}/{density('fibre-pp-macro')};12)")
    s.concrete = flows = []
    amounts = {}
    for code, mass in parts:
        amounts[code] = mass if items.of[code]["unit"] == "kg" else s.add(f"ROUND({mass}/1000;12)")
        flows.append(("A1", code, amounts[code], items.main(code), True))
    for code, mass in parts:
        if items.of[code]["gwp_a2"]:
            flows.append(("A2", code, amounts[code], items.cell(code, "gwp_a2"), False))
            continue
        category, mode = items.of[code]["category"], "lorry-articulated" if code == "cement-cem-i" else "lorry-rigid"
        flows.append(("A2", mode, s.add(f"ROUND({mass}*{at['km ' + category]}/1000;12)"), items.main(mode), True))
    for mixer, minutes, volume in (("mixer-small", 4, slurry), ("mixer-pan", 3, "1")):
        hours = s.add(f"ROUND({minutes}*{volume}/(60*{items.cell(mixer, 'batch_volume_m3')});12)")
        for part, share in items.recipe(mixer):
            flows.append(("A3", part, s.add(f"ROUND({hours}*{share};12)"), items.main(part), True))
    flows.append(("A4", "truck-mixer", s.add(f"ROUND({fresh}*{at['km concrete']}/1000;12)"), items.main("truck-mixer"), True))
    wasted = s.add("[waste]/100/(1-[waste]/100)")
    for _, code, amount, factor, priced in list(flows):
        flows.append(("A5", code, s.add(f"ROUND({amount}*{wasted};12)"), factor, priced))
    landfill = s.add(f"ROUND(ROUND({fresh}*{wasted};12)/1000;12)")
    flows.append(("A5", "concrete-landfill", landfill, items.main("concrete-landfill"), True))


def inputs(change=0.0):
    """The rows of inputs, in the order of the requests."""
    return [tuple([float(t.split()[0]) + change, float(d), 350.0, 161.0, 1120.0, 0.8, 1.5, 2.0]) for t in THICKNESSES for d in DOSAGES]


def option(name, value):
    p = PropertyValue()
    p.Name, p.Value = name, value
    return p


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextlib.contextmanager
def running(*command, **options):
    p = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **options)
    try:
        yield p
    finally:
        p.terminate()
        p.wait()


def office(port):
    resolver = uno.getComponentContext().ServiceManager.createInstance("com.sun.star.bridge.UnoUrlResolver")
    for _ in range(120):
        try:
            remote = resolver.resolve(f"uno:socket,host=127.0.0.1,port={port};urp;StarOffice.ComponentContext")
            return remote.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", remote)
        except NoConnectException:
            time.sleep(0.25)
    raise SystemExit("LibreOffice does not answer")


class Workbook:
    def __init__(self, desktop, path):
        items = Items()
        shared, at = parameters()
        self.sheet = formulas(items, at)
        url = uno.systemPathToFileUrl(path)
        book = desktop.loadComponentFromURL("private:factory/scalc", "_blank", 0, (option("Hidden", True),))
        sheets = book.Sheets
        sheets.getByIndex(0).Name = "totals"
        for n, name in enumerate(("inputs", "items", "shared")):
            sheets.insertNewByName(name, n + 1)
        fill = lambda name, rows, how: getattr(sheets.getByName(name).getCellRangeByPosition(0, 0, len(rows[0]) - 1, len(rows) - 1), how)(tuple(rows))
        fill("items", items.rows(), "setDataArray")
        fill("shared", shared, "setFormulaArray")
        fill("inputs", inputs(), "setDataArray")
        fill("totals", self.sheet.rows(1, len(inputs())), "setFormulaArray")
        book.storeToURL(url, (option("FilterName", "calc8"),))
        book.close(True)
        self.book = desktop.loadComponentFromURL(url, "_blank", 0, (option("Hidden", True),))
        self.book.enableAutomaticCalculation(False)
        names = list(self.sheet.names)
        self.range = self.book.Sheets.getByName("totals").getCellRangeByPosition(names.index(TOTALS[0]), 0, names.index(TOTALS[-1]), len(inputs()) - 1)
        self.inputs = self.book.Sheets.getByName("inputs").getCellRangeByPosition(0, 0, len(INPUTS) - 1, len(inputs()) - 1)

    def recalculate(self, change):
        """Milliseconds of calculateAll after all inputs are written anew."""
        before = self.range.getDataArray()
        self.inputs.setDataArray(tuple(inputs(change)))
        start = time.perf_counter()
        self.book.calculateAll()
        taken = time.perf_counter() - start
        after = self.range.getDataArray()
        assert all(a[2] != b[2] for a, b in zip(after, before)), "a total did not move with its inputs"
        return taken * 1e3

    def totals(self):
        return [dict(zip(TOTALS, row)) for row in self.range.getDataArray()]


def convert(path, folder):
    start = time.perf_counter()
    subprocess.run(["soffice", "-env:UserInstallation=file://" + os.path.join(folder, "converting"), "--headless", "--convert-to", "xlsx",
                    "--outdir", os.path.join(folder, "converted"), path], check=True, capture_output=True)
    return (time.perf_counter() - start) * 1e3


def ask(connection, operation, body):
    """Milliseconds from sending the request to having read the answer, and the answer."""
    start = time.perf_counter()
    connection.request("POST", "/v1/" + operation, body, {"Content-Type": "application/json"})
    response = connection.getresponse()
    answer = response.read()
    taken = (time.perf_counter() - start) * 1e3
    if response.status != 200:
        raise SystemExit(f"{operation}: {response.status} {answer[:2000].decode()}")
    return taken, answer


def figures(alternative, recovery, rounding):
    """The totals of an alternative of a comparison, summed from its printed amounts with
    another rule of rounding for its lines."""
    q = lambda x: x.quantize(Decimal("0.000001"), rounding)
    carbon = [(l["stage"], q(Decimal(l["amount"]) * Decimal(l["factor"]))) for l in alternative["carbon"]["lines"]]
    money = {"initial": Decimal(0), "maintenance": Decimal(0), "residual": Decimal(0)}
    for l in alternative["cost"]["lines"]:
        price = money["initial"] if l["kind"] == "residual" else Decimal(l["price"])
        money[l["kind"]] += q(Decimal(l["amount"]) * price * Decimal(l["escalation_factor"]) * Decimal(l["discount_factor"]))
    npv = money["initial"] + money["maintenance"] - money["residual"]
    concrete = sum(q(Decimal(l["amount"]) * Decimal(l["factor"])) for l in alternative["concrete"]["lines"] if l["stage"] == "A1-A3")
    gate = sum(gwp for stage, gwp in carbon if stage == "A1-A3")
    return dict(zip(TOTALS, (concrete, gate, sum(gwp for _, gwp in carbon), *money.values(), npv, q(npv * recovery))))


def printed(alternative):
    carbon, cost = alternative["carbon"], alternative["cost"]
    return {"concrete_a1_a3_kg_co2e_per_m3": alternative["concrete"]["gwp_kg_co2e_per_m3"]["A1-A3"], **{t: (carbon if "co2e" in t else cost)[t] for t in TOTALS[1:]}}


def check(book, answers):
    """Holds every total of the workbook against the answers. ROUND takes a half away from
    zero, the service to the even neighbour. So the totals are summed again from the
    printed amounts both ways: to even they must be those that the service prints, away
    from zero those of the workbook."""
    comparison, rows, found = (json.loads(answers[o]) for o in ("comparisons", "grids", "search"))
    rows, compared = rows["rows"], comparison["alternatives"]
    recovery = Decimal(comparison["economics"]["capital_recovery_factor"])
    assert len(rows) == len(compared) == len(book) == 100
    worst = halves = 0
    for ours, row, theirs in zip(compared, rows, book):
        stated, even, away = printed(ours), figures(ours, recovery, ROUND_HALF_EVEN), figures(ours, recovery, ROUND_HALF_UP)
        for t in TOTALS:
            assert stated[t] == row[t] and Decimal(stated[t]) == even[t], (ours["name"], t, stated[t], row[t], even[t])
            gap = abs(float(away[t]) - theirs[t]) / abs(theirs[t])
            assert gap <= TOLERANCE, (ours["name"], t, away[t], theirs[t])
            worst, halves = max(worst, gap), halves + (away[t] != even[t])
    shown = [found["best"], *found["ties"], *found["runners_up"], *found["pareto"]["rows"]]
    for row in shown:
        for t in TOTALS:
            assert row.get(t, rows[row["index"]][t]) == rows[row["index"]][t], (row, t)
    assert Decimal(found["best"]["net_present_value_per_m2"]) == min(Decimal(r["net_present_value_per_m2"]) for r in rows)
    print(f"{len(TOTALS)} totals of each of 100 alternatives: comparisons and grids print the same; the workbook agrees within {worst:.1g} relative, {halves} totals after halves are taken away from zero as ROUND does; {len(shown)} rows of the search are those of the grid")


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        binary, bench, db = (os.path.join(folder, n) for n in ("slabledger", "service.test", "demo.db"))
        subprocess.run(["go", "build", "-o", binary, "."], check=True)
        subprocess.run(["go", "test", "-c", "-o", bench, "./service"], check=True)
        subprocess.run([binary, "demo", "--once", "--db", db], check=True, capture_output=True)
        port, bridge = free_port(), free_port()
        stack.enter_context(running(binary, "serve", "--db", db, "--addr", f"127.0.0.1:{port}"))
        writing = os.path.join(folder, "writing")
        stack.enter_context(running("soffice", f"-env:UserInstallation=file://{writing}", "--headless", "--norestore", f"--accept=socket,host=127.0.0.1,port={bridge};urp;"))
        desktop = office(bridge)
        path = os.path.join(folder, "alternatives.ods")
        book = Workbook(desktop, path)
        bodies = {operation: json.dumps(body).encode() for operation, body in requests().items()}
        connect = lambda: http.client.HTTPConnection("127.0.0.1", port)  # anew: the service ends a connection that idles

        def engine():
            out = subprocess.run([bench, "-test.run", "^$", "-test.bench", "^BenchmarkEngine$", "-test.benchtime", "500x"], check=True,
                                 capture_output=True, text=True, cwd="service", env=os.environ | {"GOGC": "400"}).stdout
            return float(re.search(r"([\d.]+) ns/op", out)[1]) / 1e6 * 100

        answers, taken = {}, {}
        for r in range(-1, rounds):  # the first warms up
            times = {"calculateAll": book.recalculate(r + 2), "conversion": convert(path, folder)}
            for operation, body in bodies.items():
                times[operation], answers[operation] = ask(connect(), operation, body)
            times["engine"] = engine()
            if r >= 0:
                for name, ms in times.items():
                    taken.setdefault(name, []).append(ms)
        book.recalculate(0)
        lines = book.sheet.lines
        print(f"100 alternatives, {len(book.sheet.formulas)} formulas and {lines} rounded lines each; {rounds} rounds in turns; milliseconds, least (median), and how many times that calculateAll and the conversion take")
        ordered = {name: sorted(ms) for name, ms in taken.items()}
        least, median = ({name: ms[at] for name, ms in ordered.items()} for at in (0, rounds // 2))
        for name in ordered:
            ratios = "" if name in ("calculateAll", "conversion") else "".join(f", {of} {least[of] / least[name]:.1f} ({median[of] / median[name]:.1f})" for of in ("calculateAll", "conversion"))
            size = f", {len(answers[name]) / 1e3:.0f} kB" if name in answers else ""
            print(f"    {name} {least[name]:.1f} ({median[name]:.1f}){size}{ratios}")
        check(book.totals(), answers)
        with contextlib.suppress(Exception):  # the bridge breaks as the office ends
            book.book.close(True)
            desktop.terminate()


if __name__ == "__main__":
    main()
