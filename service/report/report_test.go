package report_test

import (
	"bytes"
	"os"
	"testing"

	"slabledger/service"
	"slabledger/service/report"
)

// reported computes a comparison with its grounds, as the service does for a report.
func reported(t testing.TB, svc *service.Service, request []byte) report.Reported {
	t.Helper()
	grounds, err := svc.Grounds(t.Context(), request)
	if err != nil {
		t.Fatal(err, service.Faults(err))
	}
	return report.Reported{Request: request, Comparison: compared(t, svc, request), Grounds: grounds}
}

func written2(t testing.TB, in report.Reported) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.Report(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestZZ(t *testing.T) {
	svc := newService(t)
	for name, req := range map[string][]byte{"demo": testdata(t, "demo/comparison.json"), "200": manyAlternatives(t, 200), "carbon": requests(t)["carbon alone"], "lives": requests(t)["lives"], "sized": testdata(t, "scenarios/lab-to-slab.json"), "schedule": requests(t)["schedule"]} {
		page := written2(t, reported(t, svc, req))
		t.Log(name, len(page))
		os.WriteFile("/tmp/w/report-out/report-"+name+".html", []byte(page), 0o644)
	}
}
