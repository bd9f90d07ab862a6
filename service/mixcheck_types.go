package service

// MixCheckRequest is the body of POST /v1/mixes/check. The proportions are the
// constituents of Mix, or ByRatio, or Batch.
type MixCheckRequest struct {
	Inventory     string           `json:"inventory"`
	Mix           *Mix             `json:"mix,omitzero"`
	ByRatio       *MixRatios       `json:"by_ratio,omitzero"`
	Batch         []BatchPart      `json:"batch,omitzero"`
	FreshDensity  string           `json:"fresh_density,omitzero"`
	DesignVolume  string           `json:"design_volume,omitzero"`
	Transport     []TransportRule  `json:"transport,omitzero"` // nil: A2 is not declared
	KValue        []KValueAddition `json:"k_value,omitzero"`
	ExposureClass string           `json:"exposure_class,omitzero"`
	BatchPlan     *BatchPlan       `json:"batch_plan,omitzero"`
	Ordinary      *OrdinaryMixing  `json:"ordinary,omitzero"`
	Thickness     *ThicknessDesign `json:"thickness_design,omitzero"`
	Coating       []FibreCoating   `json:"coating,omitzero"`
	Delivered     *DeliveredMix    `json:"delivered,omitzero"`

	AggregateSubstitution *AggregateSubstitution `json:"aggregate_substitution,omitzero"`
}

// MixRatios is a mix by ratios: two of binder, mixing water and water/binder.
type MixRatios struct {
	Binder           string           `json:"binder,omitzero"`
	MixingWater      string           `json:"mixing_water,omitzero"`
	WaterBinderRatio string           `json:"water_binder_ratio,omitzero"`
	Cement           string           `json:"cement"`
	Water            string           `json:"water"`
	Replacement      []RatioShare     `json:"replacement,omitzero"`
	Aggregates       []RatioAggregate `json:"aggregates"`
	Fibres           []Input          `json:"fibres,omitzero"`
	Admixtures       []Input          `json:"admixtures,omitzero"`
	Air              string           `json:"air,omitzero"`
}

// RatioShare is a share of the binder that is not cement.
type RatioShare struct {
	Item  string `json:"item"`
	Share string `json:"share"`
}

// RatioAggregate has a share of the aggregate that closes the volume, or an
// amount, or a dry-rodded volume.
type RatioAggregate struct {
	Item             string `json:"item"`
	Share            string `json:"share,omitzero"`
	Amount           string `json:"amount,omitzero"`
	BulkVolume       string `json:"bulk_volume,omitzero"`
	DryRoddedDensity string `json:"dry_rodded_density,omitzero"`
}

// BatchPart is one material as weighed into a batch.
type BatchPart struct {
	Item       string `json:"item"`
	Mass       string `json:"mass"`
	Moisture   string `json:"moisture,omitzero"`
	Absorption string `json:"absorption,omitzero"`
}

// KValueAddition is an SCM counted by the k-value concept.
type KValueAddition struct {
	Item     string `json:"item"`
	Addition string `json:"addition"` // fly_ash, slag, silica_fume
	K        string `json:"k,omitzero"`
	Limit    string `json:"limit,omitzero"` // "1/3" or "25 %" of the cement
}

// BatchPlan asks for the masses of one batch.
type BatchPlan struct {
	MixerVolume string         `json:"mixer_volume"`
	Tolerances  string         `json:"tolerances,omitzero"`
	Moisture    []ItemMoisture `json:"moisture,omitzero"`
}

// ItemMoisture is the state of an aggregate, on its oven-dry mass.
type ItemMoisture struct {
	Item       string `json:"item"`
	Moisture   string `json:"moisture"`
	Absorption string `json:"absorption"`
}

// OrdinaryMixing is what a staged plan is set against.
type OrdinaryMixing struct {
	Mixer           string `json:"mixer,omitzero"`
	Minutes         int    `json:"minutes,omitzero"`
	Thickness       string `json:"thickness,omitzero"`
	ThicknessSaving string `json:"thickness_saving,omitzero"`
}

// FibreCoating asks for the slurry film on a fibre.
type FibreCoating struct {
	Item     string `json:"item"`
	Diameter string `json:"diameter"`
}

// DeliveredMix is a ticket of what was weighed.
type DeliveredMix struct {
	Volume       string      `json:"volume"`
	FreshDensity string      `json:"fresh_density,omitzero"`
	Tolerances   string      `json:"tolerances,omitzero"`
	Masses       []BatchPart `json:"masses"`
}

// AggregateSubstitution asks what recycled aggregate saves in place of natural,
// tonne for tonne at the plant, and how far it may be hauled.
type AggregateSubstitution struct {
	Natural     AggregateSupply `json:"natural"`
	Recycled    AggregateSupply `json:"recycled"`
	Mode        string          `json:"mode"` // of the hauls of both
	ExtraCement *ExtraCement    `json:"extra_cement,omitzero"`
	Share       string          `json:"share,omitzero"` // of the natural aggregate of the mix, by volume
}

// AggregateSupply is an aggregate with its haul to the plant.
type AggregateSupply struct {
	Item       string `json:"item"`
	Distance   string `json:"distance"`
	Absorption string `json:"absorption,omitzero"`
}

// ExtraCement is what the concrete needs more of where aggregate is recycled.
type ExtraCement struct {
	Item     string `json:"item"`
	PerTonne string `json:"per_tonne"` // of recycled aggregate
}

// MixCheckResponse answers POST /v1/mixes/check.
type MixCheckResponse struct {
	Inventory     InventoryRef           `json:"inventory"`
	EngineVersion string                 `json:"engine_version"`
	RequestHash   string                 `json:"request_hash"`
	Solved        []string               `json:"solved"`
	Mix           MixResult              `json:"mix"`
	KValue        *KValueResult          `json:"k_value"`
	Yield         *YieldResult           `json:"yield"`
	Ranges        []RangeReading         `json:"ranges"`
	Concrete      GateResult             `json:"concrete"`
	BatchPlan     *BatchPlanResult       `json:"batch_plan"`
	Staged        *StagedAgainstOrdinary `json:"staged_against_ordinary"`
	Coating       []CoatingResult        `json:"coating"`
	Delivered     *DeliveredResult       `json:"delivered"`
	Substitution  *SubstitutionResult    `json:"aggregate_substitution,omitzero"`
	Sources       []ItemUsed             `json:"sources"`
	Assumptions   []Statement            `json:"assumptions"`
	Warnings      []Statement            `json:"warnings"`
	Notices       []string               `json:"notices"`
}

// KValueResult is the water/cement ratio of the k-value concept, under its own
// name.
type KValueResult struct {
	Rule             string          `json:"rule"`
	Ratio            Amount          `json:"equivalent_water_cement_ratio_k_value"`
	EquivalentCement Amount          `json:"equivalent_cement_kg_per_m3"`
	Additions        []KValueCounted `json:"additions"`
}

// KValueCounted is what one addition counts for.
type KValueCounted struct {
	Item       string `json:"item"`
	Addition   string `json:"addition"`
	K          Plain  `json:"k"`
	Limit      string `json:"limit"`
	Mass       Amount `json:"mass_kg_per_m3"`
	Considered Amount `json:"considered_kg_per_m3"`
	Excess     Amount `json:"excess_kg_per_m3"`
	Equivalent Amount `json:"equivalent_kg_per_m3"`
}

// YieldResult is what a measured batch tells.
type YieldResult struct {
	BatchMassKg           Amount  `json:"batch_mass_kg"`
	FreshDensityKgPerM3   Amount  `json:"fresh_density_kg_per_m3"`
	YieldM3               Amount  `json:"yield_m3"`
	DesignVolumeM3        *Amount `json:"design_volume_m3"`
	RelativeYield         *Amount `json:"relative_yield"`
	SurplusM3             *Amount `json:"surplus_m3"`
	AirFreeDensityKgPerM3 *Amount `json:"air_free_density_kg_per_m3"`
	GravimetricAirPercent *Amount `json:"gravimetric_air_percent"`
}

// RangeReading is a quantity beside what is usual or required of it.
type RangeReading struct {
	Quantity string `json:"quantity"`
	Item     string `json:"item,omitzero"`
	Value    Amount `json:"value"`
	Unit     string `json:"unit"`
	Low      *Plain `json:"low"`
	High     *Plain `json:"high"`
	Within   bool   `json:"within"`
	Source   string `json:"source"`
}

// GateResult is the concrete at the gate of the plant, per m3. A module or cost
// that the request or the inventory leaves open is null.
type GateResult struct {
	GWPKgCO2ePerM3 GateModules    `json:"gwp_kg_co2e_per_m3"`
	CostPerM3      *Fixed         `json:"cost_per_m3"`
	Energy         []EnergyAmount `json:"energy"`
	Lines          []ConcreteLine `json:"lines"`
}

// GateModules are sums of the lines below them.
type GateModules struct {
	A1   *Fixed `json:"A1"`
	A2   *Fixed `json:"A2"`
	A3   *Fixed `json:"A3"`
	A1A3 *Fixed `json:"A1-A3"`
}

// EnergyAmount is energy or fuel used in making the concrete.
type EnergyAmount struct {
	Item        string `json:"item"`
	AmountPerM3 Amount `json:"amount_per_m3"`
	Unit        string `json:"unit"`
}

// BatchPlanResult is what to weigh for one batch, in order.
type BatchPlanResult struct {
	VolumeM3   Amount        `json:"volume_m3"`
	Tolerances ToleranceRule `json:"tolerances"`
	Stages     []PlanStage   `json:"stages"`
	Totals     []PlanTotal   `json:"totals"`
}

// ToleranceRule names the standard whose batching tolerances apply.
type ToleranceRule struct {
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

// PlanStage is one stage of one batch. Loads is how often its mixer is filled.
type PlanStage struct {
	Name             string     `json:"name"`
	Mixer            string     `json:"mixer"`
	Minutes          int        `json:"minutes"`
	Loads            int64      `json:"loads"`
	TotalMinutes     int64      `json:"total_minutes"`
	MixerHPerM3      Amount     `json:"mixer_h_per_m3"`
	WaterBinderRatio *Amount    `json:"water_binder_ratio"`
	FreeWaterKg      Amount     `json:"free_water_kg"`
	CarriedWaterKg   Amount     `json:"carried_water_kg"`
	Lines            []PlanLine `json:"lines"`
}

// PlanLine is one weighing: Mass as the material lies.
type PlanLine struct {
	Step         int     `json:"step"`
	Item         string  `json:"item"`
	MassKg       Amount  `json:"mass_kg"`
	LeastKg      *Amount `json:"least_kg"`
	MostKg       *Amount `json:"most_kg"`
	SurfaceDryKg Amount  `json:"surface_dry_kg"`
}

// PlanTotal is one constituent over all stages.
type PlanTotal struct {
	Item         string `json:"item"`
	MassKg       Amount `json:"mass_kg"`
	SurfaceDryKg Amount `json:"surface_dry_kg"`
}

// StagedAgainstOrdinary sets a staged plan against mixing the same in one stage.
type StagedAgainstOrdinary struct {
	Mixer           string         `json:"mixer"`
	Minutes         int            `json:"minutes"`
	Ordinary        GateResult     `json:"ordinary"`
	ExtraMixerH     Amount         `json:"extra_mixer_h_per_m3"`
	ExtraEnergy     []EnergyAmount `json:"extra_energy"`
	ExtraA3         *Fixed         `json:"extra_a3_kg_co2e_per_m3"`
	ExtraCostPerM3  *Fixed         `json:"extra_cost_per_m3"`
	BreakEvenCarbon *BreakEven     `json:"break_even_carbon"`
	BreakEvenCost   *BreakEven     `json:"break_even_cost"`
	BreakEvenEnergy []EnergyAmount `json:"break_even_energy"`
	StrengthGain    *StrengthGain  `json:"strength_gain"`
}

// StrengthGain is the strength that staged mixing must bring for its slab to be
// thin enough to pay for it. The members before Cost are the slab of ordinary
// mixing. A figure that is not known has no answer.
type StrengthGain struct {
	Method               string          `json:"method"`
	EffectiveStrengthMPa Plain           `json:"effective_strength_mpa"`
	RequiredMM           Plain           `json:"required_thickness_mm"`
	ThicknessMM          Plain           `json:"thickness_mm"`
	Governs              string          `json:"governs"`
	Cost                 *StrengthPaysIn `json:"cost"`
	Carbon               *StrengthPaysIn `json:"carbon"`
}

// StrengthPaysIn is the strength at which staged mixing pays in one figure, with
// slabs as thick as required and as they are built.
type StrengthPaysIn struct {
	AsRequired StrengthNeeded `json:"as_required"`
	AsBuilt    StrengthNeeded `json:"as_built"`
}

// StrengthNeeded is the least effective strength at which the slab comes to no more
// than TargetMM; where none is reached, the strongest that the method covers, and
// what governs there.
type StrengthNeeded struct {
	TargetMM             Fixed  `json:"target_thickness_mm"`
	Reached              bool   `json:"reached"`
	EffectiveStrengthMPa Plain  `json:"effective_strength_mpa"`
	GainPercent          *Fixed `json:"gain_percent"`
	RequiredMM           Plain  `json:"required_thickness_mm"`
	ThicknessMM          Plain  `json:"thickness_mm"`
	Governs              string `json:"governs"`
	Reason               string `json:"reason,omitzero"`
}

// BreakEven is how much thinner the staged slab must be to pay for its mixing.
type BreakEven struct {
	ThicknessPercent Amount  `json:"thickness_percent"`
	ThicknessMM      *Amount `json:"thickness_mm"`
}

// CoatingResult is the slurry film on a fibre.
type CoatingResult struct {
	Item                string  `json:"item"`
	Stage               string  `json:"stage"`
	DiameterMM          Plain   `json:"diameter_mm"`
	SurfaceM2PerM3      Amount  `json:"surface_m2_per_m3"`
	SlurryVolumeM3PerM3 *Amount `json:"slurry_volume_m3_per_m3"`
	FilmMM              *Amount `json:"film_mm"`
	Reason              string  `json:"reason,omitzero"`
}

// DeliveredResult is a ticket against the plan.
type DeliveredResult struct {
	VolumeM3                  Amount          `json:"volume_m3"`
	YieldM3                   *Amount         `json:"yield_m3"`
	RelativeYield             *Amount         `json:"relative_yield"`
	Tolerances                ToleranceRule   `json:"tolerances"`
	Within                    bool            `json:"within"`
	Lines                     []DeliveredLine `json:"lines"`
	EffectiveWaterBinderRatio *Amount         `json:"effective_water_binder_ratio"`
	AsBatched                 GateResult      `json:"as_batched"`
	AsDesignedA1A3            *Fixed          `json:"as_designed_a1_a3_kg_co2e_per_m3"`
	ExtraA1A3                 *Fixed          `json:"extra_a1_a3_kg_co2e_per_m3"`
}

// DeliveredLine is one constituent of a ticket. Within is null where the
// standard has no tolerance for it.
type DeliveredLine struct {
	Item             string  `json:"item"`
	TargetKg         Amount  `json:"target_kg"`
	MassKg           Amount  `json:"mass_kg"`
	DeviationPercent *Amount `json:"deviation_percent"`
	LeastKg          *Amount `json:"least_kg"`
	MostKg           *Amount `json:"most_kg"`
	Within           *bool   `json:"within"`
}

// SubstitutionResult sets a tonne of recycled aggregate against one of natural. A
// saving is that of the recycled one, negative where it comes to more; null where
// a factor or price is missing.
type SubstitutionResult struct {
	Natural         AggregateAtPlant  `json:"natural"`
	Recycled        AggregateAtPlant  `json:"recycled"`
	SavingGWP       *Fixed            `json:"saving_kg_co2e_per_t"`
	SavingCost      *Fixed            `json:"saving_cost_per_t"`
	BreakEvenCarbon *HaulBreakEven    `json:"break_even_carbon"`
	BreakEvenCost   *HaulBreakEven    `json:"break_even_cost"`
	Absorption      *AbsorptionResult `json:"absorption"`
}

// AggregateAtPlant is a tonne of aggregate at the plant.
type AggregateAtPlant struct {
	Item          string       `json:"item"`
	DistanceKM    Plain        `json:"distance_km"`
	GWPKgCO2ePerT SupplyParts  `json:"gwp_kg_co2e_per_t"`
	CostPerT      SupplyParts  `json:"cost_per_t"`
	Lines         []SupplyLine `json:"lines"`
}

// SupplyParts are sums of lines; null where a factor or price is missing.
type SupplyParts struct {
	Production  *Fixed `json:"production"`
	Transport   *Fixed `json:"transport"`
	ExtraCement *Fixed `json:"extra_cement"`
	Total       *Fixed `json:"total"`
}

// SupplyLine is one figure per tonne of aggregate.
type SupplyLine struct {
	Part          string `json:"part"` // production, transport, extra_cement
	Item          string `json:"item"`
	Amount        Amount `json:"amount"`
	Unit          string `json:"unit"`
	Factor        Plain  `json:"factor"`
	FactorUnit    string `json:"factor_unit"`
	GWPKgCO2ePerT Fixed  `json:"gwp_kg_co2e_per_t"`
	Price         *Plain `json:"price"`
	PriceUnit     string `json:"price_unit,omitzero"`
	CostPerT      *Fixed `json:"cost_per_t"`
	Source        string `json:"source"`
}

// HaulBreakEven is how far recycled aggregate may be hauled. Extra is null where
// it saves nothing as it is, Distance where it would not save anything unhauled;
// Reason says so.
type HaulBreakEven struct {
	ExtraKM    *Amount `json:"extra_haul_km"`
	DistanceKM *Amount `json:"distance_km"`
	Reason     string  `json:"reason,omitzero"`
}

// AbsorptionResult is the water that the aggregates hold, replaced by volume.
type AbsorptionResult struct {
	NaturalKgPerM3          Amount `json:"natural_kg_per_m3"`
	RecycledKgPerM3         Amount `json:"recycled_kg_per_m3"`
	NaturalAbsorbedKgPerM3  Amount `json:"natural_absorbed_water_kg_per_m3"`
	RecycledAbsorbedKgPerM3 Amount `json:"recycled_absorbed_water_kg_per_m3"`
	ExtraAbsorbedKgPerM3    Amount `json:"extra_absorbed_water_kg_per_m3"`
}
