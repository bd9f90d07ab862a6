package num_test

import (
	"testing"

	"github.com/shopspring/decimal"

	"slabledger/lca/num"
)

var sink decimal.Decimal

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = num.Parse("1234.567890")
	}
}

func BenchmarkLine(b *testing.B) {
	short := decimal.New(12345678901234, -8)
	factor, _ := num.Div(num.One, decimal.New(1030301, -6))
	for name, value := range map[string]decimal.Decimal{"short": short, "discounted": short.Mul(factor)} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sink = num.Line(value)
			}
		})
	}
}

func BenchmarkDiv(b *testing.B) {
	power, _ := num.PowInt(decimal.New(103, -2), 40)
	for name, divisor := range map[string]decimal.Decimal{"short": decimal.New(103, -2), "power": power} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				sink, _ = num.Div(num.One, divisor)
			}
		})
	}
}

func BenchmarkPowInt(b *testing.B) {
	base := decimal.New(103, -2)
	b.ReportAllocs()
	for b.Loop() {
		sink, _ = num.PowInt(base, 40)
	}
}

func BenchmarkSum(b *testing.B) {
	values := make([]decimal.Decimal, 60)
	for i := range values {
		values[i] = decimal.New(int64(i)*1234567, -6)
	}
	b.ReportAllocs()
	for b.Loop() {
		sink = num.Sum(values...)
	}
}
