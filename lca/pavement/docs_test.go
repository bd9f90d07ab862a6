package pavement

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"slabledger/lca/num"
)

// inDocs fails unless the lines stand in the documentation as they are.
func inDocs(t *testing.T, what, lines string) {
	t.Helper()
	docs, err := os.ReadFile("../../docs/thickness.md")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(docs), "\n"+lines) {
		t.Errorf("docs/thickness.md does not have %s as it is computed:\n%s", what, lines)
	}
}

// A reader recomputes an answer from the documentation alone, so it prints every
// coefficient that is used.
func TestDocsPrintTheTables(t *testing.T) {
	for _, b := range baseTables {
		var table strings.Builder
		table.WriteString("| k of the subgrade |")
		for _, in := range b.thickness {
			fmt.Fprintf(&table, " %d in |", in)
		}
		table.WriteString("\n|" + strings.Repeat("---|", len(b.thickness)+1) + "\n")
		for i, k := range b.subgrade {
			fmt.Fprintf(&table, "| %d |", k)
			for _, on := range b.k[i] {
				if on == 0 {
					table.WriteString(" – |")
				} else {
					fmt.Fprintf(&table, " %d |", on)
				}
			}
			table.WriteString("\n")
		}
		inDocs(t, "the table of "+string(b.kind)+" bases", table.String())
	}
	for _, a := range []struct {
		name string
		rows *[10][8]float64
	}{{"stress", &stressAustroads}, {"erosion", &erosionAustroads}} {
		table := "| " + a.name + " | ST/NS | SD/NS | TD/NS | TR/NS | ST/WS | SD/WS | TD/WS | TR/WS |\n|" + strings.Repeat("---|", 9) + "\n"
		for i, row := range a.rows {
			table += "| " + string("abcdefghij"[i]) + " |"
			for _, v := range row {
				table += " " + strconv.FormatFloat(v, 'f', -1, 64) + " |"
			}
			table += "\n"
		}
		inDocs(t, "the "+a.name+" of austroads", table)
	}
	for _, c := range []struct {
		dowels, shoulder bool
		name             string
	}{{true, false, "dowels, none"}, {false, false, "interlock, none"}, {true, true, "dowels, concrete"}, {false, true, "interlock, concrete"}} {
		corner := cornerEB109P[struct{ dowels, shoulder bool }{c.dowels, c.shoulder}]
		rows := "| " + c.name + " | single |"
		for _, v := range corner[0] {
			rows += fmt.Sprintf(" %v |", v)
		}
		rows += "\n| | tandem |"
		for _, v := range corner[1] {
			rows += fmt.Sprintf(" %v |", v)
		}
		inDocs(t, "the corner pressure", strings.ReplaceAll(rows, "-", "−")+"\n")
	}
}

func TestDocsPrintARow(t *testing.T) {
	d, h := prepare(t, design1A()), in("9.5 in", "mm")
	slab := newSlabEB109P(130, true, false, 0.15)
	g := check(t, d.input, h).Groups[0]
	power := num.Float(g.ErosionPower)
	inDocs(t, "a row of Design 1A", fmt.Sprintf(`- fatigue: ℓ %.4f in; σ %.3f psi; SR %.6f; N %.1f; damage %.4f %%;
- erosion: C1 P %.6f; N %.1f; N/C2 %.0f; damage %.4f %%.
`, slab.radius(9.5), num.Float(g.StressMPa)/mpaPerPSI, num.Float(g.StressRatio), num.Float(g.FatigueAllowable.Decimal), num.Float(g.FatiguePercent),
		power, erosionLife(power), num.Float(g.ErosionAllowable.Decimal), num.Float(g.ErosionPercent)))
}

func TestDocsPrintEquivalenceFactors(t *testing.T) {
	var table strings.Builder
	table.WriteString("| kip |")
	loads := []float64{10, 14, 18, 20, 30, 34, 40, 50}
	for _, kip := range loads {
		fmt.Fprintf(&table, " %.0f |", kip)
	}
	table.WriteString("\n|" + strings.Repeat("---|", len(loads)+1) + "\n")
	for _, axle := range []Axle{SingleDual, Tandem, Tridem} {
		fmt.Fprintf(&table, "| %s |", strings.TrimSuffix(string(axle), "_dual"))
		for _, kip := range loads {
			f := factorOf(axle, kip, 9, 2.5)
			places := max(0, 3-int(math.Floor(math.Log10(f)))) // 4 significant digits
			fmt.Fprintf(&table, " %.*f |", places, f)
		}
		table.WriteString("\n")
	}
	inDocs(t, "the equivalence factors", table.String())
}
