package compare_test

import (
	"fmt"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"slabledger/lca/carbon"
	"slabledger/lca/compare"
)

// A trap of the 1 % rule: polypropylene fibre, 4.55 kg in 2,408.55 kg of concrete, is
// 0.189 % of the mass, and 11.728 of 340.76 kg CO2e, which is 3.44 % (worked; factor of
// the UK government conversion factors 2025). Left out, 2,404.00 kg and 329.0319 kg
// CO2e remain.
func ExampleOmittedImpact() {
	share := dec("0.00188910340246")
	emitted, part := compare.OmittedImpact(share, dec("2404"), dec("2.57757172"), dec("329.031858"))
	fmt.Println(share.Mul(dec("100")).RoundBank(3), "% of the mass,", emitted.RoundBank(3), "kg CO2e,", part.Decimal.Mul(dec("100")).RoundBank(2), "%")
	// Output:
	// 0.189 % of the mass, 11.728 kg CO2e, 3.44 %
}

// 1 % of a process and 5 % of the modules of a stage (EN 15804, 6.3.6; from memory):
// exactly as much is allowed.
func TestCutOffLimits(t *testing.T) {
	flow := func(module, process, mass, energy string) compare.Omitted {
		return compare.Omitted{Module: module, Process: process, Mass: dec(mass), Energy: dec(energy)}
	}
	over := func(list []compare.CutOffSum) (n int) {
		for _, s := range list {
			if s.Over() {
				n++
			}
		}
		return n
	}
	for _, c := range []struct {
		name               string
		flows              []compare.Omitted
		processes, modules int
	}{
		{"nothing", nil, 0, 0},
		{"exactly 1 % of a process", []compare.Omitted{flow("A1", "batching", "0.004", "0"), flow("A3", "batching", "0.006", "0.01")}, 0, 0},
		{"1.1 % of the mass", []compare.Omitted{flow("A1", "batching", "0.005", "0"), flow("A3", "batching", "0.006", "0")}, 1, 0},
		{"1.1 % of the energy", []compare.Omitted{flow("A3", "batching", "0", "0.011")}, 1, 0},
		{"one process name in two stages is two processes", []compare.Omitted{flow("A3", "haul", "0.006", "0"), flow("A4", "haul", "0.006", "0")}, 0, 0},
		{"flows without a process are their own", []compare.Omitted{flow("A1", "", "0.01", "0"), flow("A1", "", "0.01", "0")}, 0, 0},
		{"5 % of A1-A3", []compare.Omitted{flow("A1", "", "0.01", "0"), flow("A1", "", "0.01", "0"), flow("A2", "", "0.01", "0"), flow("A3", "", "0.01", "0"), flow("A3", "", "0.01", "0")}, 0, 0},
		{"5.1 % of A1-A3", []compare.Omitted{flow("A1", "", "0.01", "0"), flow("A1", "", "0.01", "0"), flow("A2", "", "0.01", "0"), flow("A3", "", "0.01", "0"), flow("A3", "", "0.01", "0"), flow("A3", "", "0.001", "0")}, 0, 1},
	} {
		processes, modules := compare.CutOff(c.flows)
		if over(processes) != c.processes || over(modules) != c.modules {
			t.Errorf("%s: %v, %v", c.name, processes, modules)
		}
	}
}

// Every flow is in one sum of processes and in one of modules, and nothing is lost.
func TestCutOffSumsAreWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		flows := make([]compare.Omitted, rapid.IntRange(0, 20).Draw(t, "flows"))
		total := decimal.Zero
		for i := range flows {
			flows[i] = compare.Omitted{Module: rapid.SampledFrom(carbon.Modules()).Draw(t, "module"), Process: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "process"),
				Mass: decimal.New(rapid.Int64Range(0, 100).Draw(t, "mass"), -4)}
			total = total.Add(flows[i].Mass)
		}
		processes, modules := compare.CutOff(flows)
		for _, list := range [][]compare.CutOffSum{processes, modules} {
			sum, seen := decimal.Zero, map[int]bool{}
			for _, s := range list {
				sum = sum.Add(s.Mass)
				for _, i := range s.Flows {
					if seen[i] || compare.StageOf(flows[i].Module) != s.Modules {
						t.Fatalf("flow %d in %+v", i, s)
					}
					seen[i] = true
				}
			}
			if !sum.Equal(total) || len(seen) != len(flows) {
				t.Fatalf("%s of %s, %d of %d flows", sum, total, len(seen), len(flows))
			}
		}
	})
}

func TestStageOfEachModule(t *testing.T) {
	want := map[string]string{"A0": "A0", "A1": "A1-A3", "A2": "A1-A3", "A3": "A1-A3", "A4": "A4-A5", "A5": "A4-A5", "B1": "B1-B5", "B2": "B1-B5", "B3": "B1-B5", "B4": "B1-B5", "B5": "B1-B5",
		"B6": "B6-B8", "B7": "B6-B8", "B8": "B6-B8", "C1": "C1-C4", "C2": "C1-C4", "C3": "C1-C4", "C4": "C1-C4", "D": "D"}
	for _, module := range carbon.Modules() {
		if got := compare.StageOf(module); got != want[module] {
			t.Errorf("%s: %s, want %s", module, got, want[module])
		}
	}
}
