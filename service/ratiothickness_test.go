package service_test

import (
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/shopspring/decimal"

	"slabledger/service"
)

// The series is what the operation answers ratio by ratio: fibres make the slab of Design
// 1A of EB109P thinner up to where erosion governs, at 8.53 in, and no further (worked,
// as in TestDesign1AThroughTheService).
func TestFibresPayUpToWhereErosionGoverns(t *testing.T) {
	var design service.ThicknessDesign
	if err := json.Unmarshal(design1A(t, edit{"/methods", remove}, edit{"/method", "eb109p"}), &design); err != nil {
		t.Fatal(err)
	}
	percents := []decimal.Decimal{dec("0"), dec("10"), dec("30"), dec("50")}
	points, err := service.ThicknessByRatio(design, percents)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		body := design1A(t, edit{"/strength/strength_rule", "residual_ratio"}, edit{"/strength/residual_ratio", percents[i].String() + " %"})
		if one := sizeSlab(t, body); !one.RequiredMM.Equal(p.RequiredMM.Decimal) || one.Governs != p.Governs {
			t.Errorf("%s %%: %s mm by %s, alone %s mm by %s", percents[i], p.RequiredMM, p.Governs, one.RequiredMM, one.Governs)
		}
	}
	if points[0].Governs != "fatigue" || points[2].Governs != "erosion" || !points[1].RequiredMM.LessThan(points[0].RequiredMM.Decimal) || !points[3].RequiredMM.Equal(points[2].RequiredMM.Decimal) {
		t.Errorf("%+v", points)
	}
	if got := printed(points[3].RequiredMM.Div(dec("25.4")), 2); got != "8.53" {
		t.Errorf("erosion asks for %s in, want 8.53", got)
	}
}

func TestAThicknessByRatioTellsTheFaultsOfItsDesign(t *testing.T) {
	_, err := service.ThicknessByRatio(service.ThicknessDesign{Method: "eb109p"}, []decimal.Decimal{dec("10")})
	if len(service.Faults(err)) == 0 {
		t.Errorf("%v", err)
	}
}
