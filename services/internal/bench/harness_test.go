package bench_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk"
	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

// source lets the pipeline find modules in a catalog, as the core's wiring does.
type source struct{ *catalog.Catalog }

func (source) Serving(string, string) []string { return nil }

func (s source) Acquire(ref string) (pipeline.Handle, error) {
	h, err := s.Catalog.Acquire(ref)
	if err != nil {
		return nil, err
	}
	return identified{h}, nil
}

type identified struct{ *catalog.Handle }

func (h identified) Identity() *typesv1.ModuleIdentity {
	m := h.Module()
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}

// realModules starts the three modules as processes.
func realModules(t testing.TB) *pipeline.Pipeline {
	t.Helper()
	var folders []string
	for name, kind := range map[string]string{"mordant-craft": sdk.KindMordant, "bathscale-craft": sdk.KindBathscale, "safety-rules": sdk.KindSafety} {
		program := "../../../plugins/" + kind + "/cmd/commonvat-module-" + name
		var manifest struct{ Version string }
		text, err := os.ReadFile(filepath.Join(program, "module.json"))
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(text, &manifest))
		folders = append(folders, catalogtest.Build(t, program, name, manifest.Version, kind))
	}
	return pipeline.New(source{catalogtest.Open(t, folders)})
}

// workplace is a bench over real modules and the real store.
type workplace struct {
	*bench.Bench
	modules *between
	store   *sqlite.Store
	now     time.Time
	safety  []string
}

// between stands between a bench and its modules, and can take them away.
type between struct {
	bench.Modules
	mu    sync.Mutex
	down  map[string]bool
	steps [][]*safetyv1.StepFacts // as they were judged
}

func (b *between) fault(kind string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down[kind] {
		return &pipeline.ModuleError{Kind: kind, Class: pipeline.ErrModuleUnavailable, Reason: "taken away"}
	}
	return nil
}

func (b *between) SelectMordants(ctx context.Context, module string, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault(pipeline.KindMordant); err != nil {
		return nil, nil, err
	}
	return b.Modules.SelectMordants(ctx, module, q)
}

func (b *between) ScaleBaths(ctx context.Context, q *bathscalev1.ScaleBathsRequest) (*bathscalev1.ScaleBathsResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault(pipeline.KindBathscale); err != nil {
		return nil, nil, err
	}
	return b.Modules.ScaleBaths(ctx, q)
}

func (b *between) LayOut(ctx context.Context, q *bathscalev1.LayOutRequest) (*bathscalev1.LayOutResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault(pipeline.KindBathscale); err != nil {
		return nil, nil, err
	}
	return b.Modules.LayOut(ctx, q)
}

func (b *between) LayOutDays(ctx context.Context, q *bathscalev1.LayOutDaysRequest) (*bathscalev1.LayOutDaysResponse, *typesv1.ModuleIdentity, error) {
	if b.fault("days") != nil {
		return nil, &typesv1.ModuleIdentity{Name: "bathscale-craft"}, pipeline.ErrNotOffered
	}
	if err := b.fault(pipeline.KindBathscale); err != nil {
		return nil, nil, err
	}
	return b.Modules.LayOutDays(ctx, q)
}

func (b *between) Rescale(ctx context.Context, q *bathscalev1.RescaleRequest) (*bathscalev1.RescaleResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault(pipeline.KindBathscale); err != nil {
		return nil, nil, err
	}
	return b.Modules.Rescale(ctx, q)
}

func (b *between) ListFields(ctx context.Context, module string) (*safetyv1.ListFieldsResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault(module); err != nil {
		return nil, nil, err
	}
	return b.Modules.ListFields(ctx, module)
}

func (b *between) NameMaterials(ctx context.Context, module string, q *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, *typesv1.ModuleIdentity, error) {
	if err := b.fault("names of " + module); err != nil {
		return nil, nil, err
	}
	return b.Modules.NameMaterials(ctx, module, q)
}

func (b *between) JudgeSteps(ctx context.Context, module string, q *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, *typesv1.ModuleIdentity, error) {
	b.mu.Lock()
	b.steps = append(b.steps, q.GetSteps())
	b.mu.Unlock()
	return b.Modules.JudgeSteps(ctx, module, q)
}

func (b *between) takeAway(names ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.down = map[string]bool{}
	for _, name := range names {
		b.down[name] = true
	}
}

const ash = "ash"

var byAsh = store.Actor{Member: ash, Method: "/test/Plan"}

func open(t testing.TB, modules *pipeline.Pipeline) *workplace {
	t.Helper()
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db"), CacheBytes: 1 << 20})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, records.Close()) })
	for _, name := range []string{ash, "birch"} {
		require.NoError(t, records.CreateMember(t.Context(), store.Actor{Member: store.Server, Method: "test"}, store.MemberRow{ID: name, DisplayName: name, Roles: []string{"member"}}))
	}
	w := &workplace{modules: &between{Modules: modules}, store: records, now: time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC), safety: []string{"safety-rules"}}
	w.Bench = bench.New(bench.Config{Modules: w.modules, Safety: func() []string { return w.safety }, Store: records, Now: func() time.Time { return w.now }})
	return w
}

func truth(field string, yes bool) *benchpb.Answer {
	return &benchpb.Answer{Field: field, Value: &benchpb.Answer_Truth{Truth: yes}}
}

func words(field string, values ...string) *benchpb.Answer {
	return &benchpb.Answer{Field: field, Value: &benchpb.Answer_Texts{Texts: &benchpb.AnswerTexts{Values: values}}}
}

// shelf is what is known of a bought material that has a label.
func shelf(material, form, part, genus string, hazards ...string) *benchpb.ShelfMaterial {
	return &benchpb.ShelfMaterial{Material: material, Answers: []*benchpb.Answer{
		words("material.form", form), words("material.plant_part", part), truth("material.sds_held", true), words("material.hazard_classes", hazards...),
		words("plant.genus", genus), words("plant.species", genus), truth("plant.identified", true), truth("plant.wild_gathered", false), truth("plant.protected_or_slow", false),
		truth("plant.sprayed_or_roadside", false), truth("container.contents_unknown", false), truth("container.label_missing", false),
	}}
}

// aWorkshop is that of an invented member.
func aWorkshop() *benchpb.Workshop {
	vessel := func(name string) *benchpb.Vessel {
		return &benchpb.Vessel{Name: name, Litres: 12, Answers: []*benchpb.Answer{
			words("vessel.material", "stainless"), truth("vessel.food_use", false), words("vessel.last_metal", "none"), truth("vessel.sealed", false),
		}}
	}
	return &benchpb.Workshop{
		Vessels: []*benchpb.Vessel{vessel("pot"), vessel("vat")}, Balances: []*benchpb.Balance{{StepG: 0.1, CapacityG: 2000}, {StepG: 0.01, CapacityG: 100}},
		SmallVolumeUncertaintyMl: 0.2, FlaskUncertaintyPercent: 1,
		Answers: []*benchpb.Answer{
			words("vent", "outdoors"), words("ppe", "gloves", "goggles", "dust_mask"), words("ppe.mask", "particulate"), truth("people.children_present", false),
			words("disposal.route", "foul_drain"), truth("step.food_or_drink_nearby", false), truth("step.open_flame", false), truth("step.hot_plate", true),
			words("storage.moth_repellent", "cedar"), truth("storage.humid", false), truth("storage.open", false), words("storage.with_class", "none"),
			truth("workshop.supervised", false), truth("workshop.tin_permitted", false),
		},
		Shelf: []*benchpb.ShelfMaterial{
			shelf("potassium alum", "powder", "none", "none"), shelf("cream of tartar", "powder", "none", "none"), shelf("fructose", "powder", "none", "none"),
			shelf("calcium hydroxide", "powder", "none", "none", "irritant", "serious_eye_damage"), shelf("ferrous sulfate", "powder", "none", "none", "irritant"),
			shelf("weld", "plant", "whole_plant", "Reseda"), shelf("indigo", "powder", "leaf", "Indigofera"),
		},
	}
}

func newID() string { return uuid.Must(uuid.NewV7()).String() }

func percent(material string, wof float64) *benchpb.PlanDose {
	return &benchpb.PlanDose{Material: material, Figure: &benchpb.PlanDose_PercentWof{PercentWof: wof}}
}

// plainWeek is a plan of three baths and twelve pieces: mordant, weld, and a fructose vat.
func plainWeek() *benchpb.Plan {
	p := &benchpb.Plan{Id: newID(), Title: "a plain week", Answers: []*benchpb.Answer{
		truth("step.unattended", false), words("step.agitation", "low"), words("step.possible_gases"), words("bath.reducer_class", "fructose"),
		{Field: "step.jump_c", Value: &benchpb.Answer_Number{Number: &benchpb.AnswerNumber{High: 5}}},
	}}
	for i := range 12 {
		p.Pieces = append(p.Pieces, &benchpb.PlanPiece{
			Id: newID(), Label: fmt.Sprintf("skein %d", i+1), Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, MassG: 10, BalanceStepG: 0.1,
			Basis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY,
		})
	}
	heat := func(hold, minutes float64) *benchpb.Heat {
		return &benchpb.Heat{StartC: 30, HoldC: hold, HoldMin: minutes, LooksMin: []float64{10}}
	}
	p.Baths = []*benchpb.PlanBath{
		{Name: "alum", Kind: benchpb.BathKind_BATH_KIND_MORDANT, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Heat: heat(85, 60), Ph: &benchpb.PhRange{Low: 3, High: 6},
			Doses: []*benchpb.PlanDose{percent("potassium alum", 12), percent("cream of tartar", 5)}},
		{Name: "weld", Kind: benchpb.BathKind_BATH_KIND_DYE, Volume: &benchpb.PlanBath_LiquorRatio{LiquorRatio: 40}, Vessel: "pot", Heat: heat(70, 60), Ph: &benchpb.PhRange{Low: 6, High: 8},
			RinsedBefore: true, Doses: []*benchpb.PlanDose{percent("weld", 100)}},
		{Name: "blue", Kind: benchpb.BathKind_BATH_KIND_VAT, Volume: &benchpb.PlanBath_Litres{Litres: 10}, Vessel: "vat", Heat: heat(40, 15), Ph: &benchpb.PhRange{Low: 10.5, High: 11.5},
			RinsedBefore: true, Vat: "fructose", IndigoGPerL: 1, IndigoPurityPercent: proto64(40), Dips: 2},
	}
	return p
}

func proto64(v float64) *float64 { return &v }

// answered keeps the invented workshop.
func (w *workplace) answered(t testing.TB) *benchpb.Workshop {
	t.Helper()
	kept, err := w.UpdateWorkshop(t.Context(), byAsh, aWorkshop(), "")
	require.NoError(t, err)
	return kept
}

func bathNamed(t testing.TB, s *benchpb.Sheet, name string) *benchpb.SheetBath {
	t.Helper()
	for _, b := range s.GetBaths() {
		if b.GetName() == name {
			return b
		}
	}
	t.Fatalf("no bath %q", name)
	return nil
}
