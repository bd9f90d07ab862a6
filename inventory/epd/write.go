package epd

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"slabledger/inventory"
	"slabledger/lca/fault"
	"slabledger/lca/num"
)

// Codes of faults of Write.
const (
	FaultNoSource = "not-a-declaration" // the factors come from no declaration or generic data set
	FaultProcess  = "category-mismatch" // work or energy, which no declaration of a product is about
)

// Identity names a data set that is written.
type Identity struct {
	UUID    string // of the data set
	Version int    // major part of its version, from 1
	Comment string // where the numbers come from, for people
}

// Write writes the factors of an item as a process data set of the ILCD with the EPD
// extensions, in XML, that Read understands: per one declared unit, in the modules that
// the item has. Its A2, the transport to a plant, is none of a declaration and is left
// out.
//
// An item with the fossil and the biogenic part of A1-A3 is written to EN 15804+A2:
// GWP-total in all modules, its parts in A1-A3, where an inventory has them. One
// without any part is written to +A1, as GWP. The format has validity by the year: a
// day within one ends it with the year before, so that nothing is said to hold for
// longer than it does.
//
// The error is an *Error with everything that the item lacks for a data set, or that of
// w. Element names and identifiers are values from memory, as those of Read.
func Write(w io.Writer, item *inventory.Item, id Identity) error {
	x, err := document(item, id)
	if err != nil {
		return err
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", "  ")
	if err := e.Encode(x); err != nil {
		return err
	}
	_, err = io.WriteString(w, "\n")
	return err
}

// document checks that an item has what a data set needs, and is that data set.
func document(item *inventory.Item, id Identity) (*xmlDataSet, error) {
	var f faults
	source := item.FactorSource
	if item.Category.IsProcess() {
		f.add("/category", FaultProcess, "%s is a process; declarations are of products", item.Code)
	} else if _, ok := item.Factors[inventory.FactorA1A3]; !ok {
		f.add(fault.Path("/factors").At(inventory.FactorA1A3), FaultMissing, "a declaration has A1-A3, which %s has not", item.Code)
	}
	switch {
	case source == nil || source.Kind != inventory.EPD && source.Kind != inventory.Generic:
		f.add("/factor_source/kind", FaultNoSource, "accepted: %s, %s: only what was declared is written as a declaration", inventory.EPD, inventory.Generic)
	case source.Publisher == "":
		f.add("/factor_source/publisher", FaultMissing, "a data set names its owner")
	}
	validUntil := lastYear(item.FactorData.ValidUntil)
	if validUntil == 0 {
		f.add("/factor_data/valid_until", FaultMissing, "a data set says until which year it holds")
	}
	d := item.FactorData
	partial := d.Fossil.Valid || d.Biogenic.Valid || d.LandUse.Valid
	if amended := partial || strings.HasPrefix(d.Characterisation, "ef-"); amended {
		for _, part := range []struct {
			name string
			has  bool
		}{{"fossil", d.Fossil.Valid}, {"biogenic", d.Biogenic.Valid}} {
			if !part.has {
				f.add(fault.Path("/factor_data").At(part.name), FaultMissing, "EN 15804+A2 has %s beside %s", "GWP-"+part.name, GWPTotal)
			}
		}
	}
	if err := f.error(XML); err != nil {
		return nil, err
	}

	x := &xmlDataSet{Space: processSpace, Common: "http://lca.jrc.it/ILCD/Common", EPD: "http://www.iai.kit.edu/EPD/2013",
		EPD2: "http://www.indata.network/EPD/2019", Version: "1.1", EPDVersion: "1.2",
		UUID: id.UUID, Name: plain(source.Title), Comment: plain(id.Comment), Quantitative: flow{Type: "Reference flow(s)"},
		Year: source.Year, ValidUntil: validUntil, Type: "EPD", DataSetVersion: fmt.Sprintf("%02d.00.000", id.Version),
		Owner: reference{Type: "contact data set", Description: plain(source.Publisher)}}
	if source.Kind == inventory.Generic {
		x.SubType = Generic
	}
	if !strings.HasPrefix(source.Reference, "UUID ") { // which is how a data set without a number is referred to
		x.Registration = source.Reference
	}
	x.terms(source.Licence)
	x.Exchange = exchange{Flow: reference{Type: "flow data set", Description: plain(item.Name)}, Direction: "Output", Mean: "1", Resulting: "1",
		Unit: reference{Type: "unit group data set", Description: plain(item.Unit)}}
	if !partial {
		x.Results = append(x.Results, resultOf(GWP, item.Factors))
		return x, nil
	}
	x.Results = append(x.Results, resultOf(GWPTotal, item.Factors))
	for _, part := range []struct {
		name  string
		value decimal.NullDecimal
	}{{GWPFossil, d.Fossil}, {GWPBiogenic, d.Biogenic}, {GWPLuluc, d.LandUse}} {
		if part.value.Valid {
			x.Results = append(x.Results, resultOf(part.name, map[string]decimal.Decimal{inventory.FactorA1A3: part.value.Decimal}))
		}
	}
	return x, nil
}

// lastYear is the last whole year until a day; 0 where there is none.
func lastYear(day string) int {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return 0
	}
	if t.AddDate(0, 0, 1).Year() == t.Year() {
		return t.Year() - 1
	}
	return t.Year()
}

// terms takes a licence apart as Factors puts it together: type, copyright, restriction.
func (x *xmlDataSet) terms(licence string) {
	var rest []string
	for _, term := range strings.Split(licence, "; ") {
		switch known := oneOf(licences, term); {
		case term == "":
		case known != "" && x.Licence == "":
			x.Licence = known
		case term == "copyright":
			x.Copyright = true
		default:
			rest = append(rest, term)
		}
	}
	if rest != nil {
		text := plain(strings.Join(rest, "; "))
		x.Restrictions = &text
	}
}

// resultOf is an indicator with the modules that factors have, in their order.
func resultOf(name string, factors map[string]decimal.Decimal) lciaResult {
	r := lciaResult{Method: reference{Type: "LCIA method data set", Description: plain(methodNames[name])},
		Unit: reference{Type: "unit group data set", Description: plain("kg CO2 eq.")}}
	for id, of := range methods {
		if of == name {
			r.Method.ID = id
		}
	}
	for _, module := range modules {
		if value, ok := factors[factorKeys[module]]; ok && factorKeys[module] != "" {
			r.Amounts = append(r.Amounts, amount{module, num.Canonical(value)})
		}
	}
	return r
}

// methodNames are those by which people know the indicators.
var methodNames = map[string]string{
	GWP:         "Global warming potential (GWP)",
	GWPTotal:    "Global Warming Potential - total (GWP-total)",
	GWPFossil:   "Global Warming Potential - fossil fuels (GWP-fossil)",
	GWPBiogenic: "Global Warming Potential - biogenic (GWP-biogenic)",
	GWPLuluc:    "Global Warming Potential - land use and land use change (GWP-luluc)",
}

// The document, with the prefixes that paths show.
type xmlDataSet struct {
	XMLName    xml.Name `xml:"processDataSet"`
	Space      string   `xml:"xmlns,attr"`
	Common     string   `xml:"xmlns:common,attr"`
	EPD        string   `xml:"xmlns:epd,attr"`
	EPD2       string   `xml:"xmlns:epd2,attr"`
	Version    string   `xml:"version,attr"`
	EPDVersion string   `xml:"epd2:epd-version,attr"`

	UUID         string `xml:"processInformation>dataSetInformation>common:UUID"`
	Name         text   `xml:"processInformation>dataSetInformation>name>baseName"`
	Comment      text   `xml:"processInformation>dataSetInformation>common:generalComment"`
	Quantitative flow   `xml:"processInformation>quantitativeReference"`
	Year         int    `xml:"processInformation>time>common:referenceYear,omitempty"`
	ValidUntil   int    `xml:"processInformation>time>common:dataSetValidUntil"`

	Type    string `xml:"modellingAndValidation>LCIMethodAndAllocation>typeOfDataSet"`
	SubType string `xml:"modellingAndValidation>LCIMethodAndAllocation>common:other>epd:subType,omitempty"`

	DataSetVersion string    `xml:"administrativeInformation>publicationAndOwnership>common:dataSetVersion"`
	Registration   string    `xml:"administrativeInformation>publicationAndOwnership>common:registrationNumber,omitempty"`
	Owner          reference `xml:"administrativeInformation>publicationAndOwnership>common:referenceToOwnershipOfDataSet"`
	Copyright      bool      `xml:"administrativeInformation>publicationAndOwnership>common:copyright"`
	Licence        string    `xml:"administrativeInformation>publicationAndOwnership>common:licenseType,omitempty"`
	Restrictions   *text     `xml:"administrativeInformation>publicationAndOwnership>common:accessRestrictions"`

	Exchange exchange     `xml:"exchanges>exchange"`
	Results  []lciaResult `xml:"LCIAResults>LCIAResult"`
}

// flow tells which exchange all results refer to.
type flow struct {
	Type string `xml:"type,attr"`
	ID   int    `xml:"referenceToReferenceFlow"`
}

type text struct {
	Language string `xml:"xml:lang,attr"`
	Text     string `xml:",chardata"`
}

func plain(s string) text { return text{"en", s} }

// reference is to a data set that is named and not enclosed.
type reference struct {
	Type        string `xml:"type,attr"`
	ID          string `xml:"refObjectId,attr,omitempty"`
	Description text   `xml:"common:shortDescription"`
}

type exchange struct {
	ID        int       `xml:"dataSetInternalID,attr"`
	Flow      reference `xml:"referenceToFlowDataSet"`
	Direction string    `xml:"exchangeDirection"`
	Mean      string    `xml:"meanAmount"`
	Resulting string    `xml:"resultingAmount"`
	Unit      reference `xml:"common:other>epd:referenceToUnitGroupDataSet"`
}

type lciaResult struct {
	Method  reference `xml:"referenceToLCIAMethodDataSet"`
	Amounts []amount  `xml:"common:other>epd:amount"`
	Unit    reference `xml:"common:other>epd:referenceToUnitGroupDataSet"`
}

type amount struct {
	Module string `xml:"epd:module,attr"`
	Value  string `xml:",chardata"`
}
