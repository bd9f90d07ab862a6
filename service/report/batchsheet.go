package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"github.com/shopspring/decimal"

	"slabledger/service"
)

//go:embed batchsheet.html
var batchSheetText string

var batchSheet = template.Must(template.New("batch sheet").Parse(batchSheetText))

// BatchSheetStyle is the source expression of a Content-Security-Policy that lets
// in the style of the sheet and no other.
var BatchSheetStyle = styleHash(batchSheetText)

// What the template sees: text alone.
type (
	sheet struct {
		Volume, Tolerances, Inventory, InventoryHash, RequestHash, Engine string

		Stages                         []sheetStage
		Totals                         []sheetTotal
		Warnings, Assumptions, Notices []string
	}
	sheetStage struct {
		Number    int
		Name, How string
		Lines     []sheetLine
		Notes     []string
	}
	sheetLine  struct{ Step, Material, Target, Least, Most, Moisture string }
	sheetTotal struct{ Material, Mass, SurfaceDry string }
)

// BatchSheet prints the batch plan of a mix check as a page of A4 to weigh by. The
// check has a batch plan. The page is the same for the same check and loads nothing.
func BatchSheet(w io.Writer, r *service.MixCheckResponse) error {
	plan := r.BatchPlan
	names := make(map[string]string, len(r.Sources))
	for _, s := range r.Sources {
		names[s.Ref] = s.Name
	}
	material := func(item string) string {
		name := names[r.Inventory.Ref+"/"+item]
		return Printable(name + " (" + item + ")")
	}
	s := sheet{Volume: plan.VolumeM3.String(), Tolerances: plan.Tolerances.Source, Inventory: Printable(r.Inventory.Name) + " (" + r.Inventory.Ref + ")",
		InventoryHash: r.Inventory.Hash, RequestHash: r.RequestHash, Engine: r.EngineVersion,
		Warnings: messages(r.Warnings), Assumptions: messages(r.Assumptions), Notices: r.Notices}
	for i, stage := range plan.Stages {
		st := sheetStage{Number: i + 1, Name: Printable(stage.Name), How: "The request names no mixer."}
		if stage.Mixer != "" {
			st.How = fmt.Sprintf("%s, %s.", material(stage.Mixer), minutes(int64(stage.Minutes)))
		}
		if stage.Loads > 1 {
			st.How += fmt.Sprintf(" %d loads, %s in all: share each mass out evenly.", stage.Loads, minutes(stage.TotalMinutes))
		} else if stage.Loads == 1 {
			st.How += " One load."
		}
		if stage.WaterBinderRatio != nil {
			st.How += " Water/binder " + stage.WaterBinderRatio.RoundBank(3).StringFixed(3) + "."
		}
		for _, l := range stage.Lines {
			line := sheetLine{Step: fmt.Sprint(l.Step), Material: material(l.Item), Target: weight(l.MassKg.Decimal, decimal.Decimal.RoundBank), Least: "–", Most: "–"}
			if l.LeastKg != nil {
				line.Least, line.Most = weight(l.LeastKg.Decimal, decimal.Decimal.RoundCeil), weight(l.MostKg.Decimal, decimal.Decimal.RoundFloor)
			}
			if !l.MassKg.Equal(l.SurfaceDryKg.Decimal) {
				line.Moisture = "without it " + weight(l.SurfaceDryKg.Decimal, decimal.Decimal.RoundBank) + " kg"
			}
			st.Lines = append(st.Lines, line)
		}
		st.Notes = waterNotes(stage)
		s.Stages = append(s.Stages, st)
	}
	var mass, dry decimal.Decimal
	for _, t := range plan.Totals {
		mass, dry = mass.Add(t.MassKg.Decimal), dry.Add(t.SurfaceDryKg.Decimal)
		s.Totals = append(s.Totals, total(material(t.Item), t.MassKg.Decimal, t.SurfaceDryKg.Decimal))
	}
	s.Totals = append(s.Totals, total("All", mass, dry))
	return batchSheet.Execute(w, s)
}

func total(material string, mass, dry decimal.Decimal) sheetTotal {
	return sheetTotal{material, weight(mass, decimal.Decimal.RoundBank), weight(dry, decimal.Decimal.RoundBank)}
}

// waterNotes says what the aggregate of a stage does to its water.
func waterNotes(stage service.PlanStage) []string {
	kg := func(d decimal.Decimal) string { return weight(d.Abs(), decimal.Decimal.RoundBank) + " kg" }
	var notes []string
	switch free := stage.FreeWaterKg; {
	case free.IsPositive():
		notes = append(notes, "Moisture: the aggregate of this stage brings "+kg(free.Decimal)+" of free water, so less water is to be weighed.")
	case free.IsNegative():
		notes = append(notes, "Moisture: the aggregate of this stage takes up "+kg(free.Decimal)+" of water, so more is to be weighed.")
	}
	if carried := stage.CarriedWaterKg; !carried.IsZero() {
		notes = append(notes, "Of that water "+kg(carried.Decimal)+" are set off in a later stage.")
	}
	return notes
}

func minutes(n int64) string {
	if n == 1 {
		return "1 minute"
	}
	return fmt.Sprintf("%d minutes", n)
}

func messages(list []service.Statement) []string {
	texts := make([]string, len(list))
	for i, s := range list {
		texts[i] = Printable(s.Message) + " (" + s.Code + ", " + Printable(s.Pointer) + ")"
	}
	return texts
}

// weight rounds a mass in kg for the scales: four digits, no coarser than 0.1 kg.
func weight(kg decimal.Decimal, round func(decimal.Decimal, int32) decimal.Decimal) string {
	if kg.IsZero() {
		return "0"
	}
	places := max(1, 4-(int32(kg.NumDigits())+kg.Exponent())) //nolint:gosec // a printed mass has few digits
	return round(kg, places).StringFixed(places)
}
