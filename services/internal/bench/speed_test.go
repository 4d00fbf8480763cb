package bench_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
)

// recorded keeps the calls of one plan, so that they can be made again bare.
type recorded struct {
	bench.Modules
	mu    sync.Mutex
	calls []func(context.Context) error
}

func (r *recorded) keep(call func(context.Context) error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.calls = append(r.calls, call)
}

func (r *recorded) SelectMordants(ctx context.Context, module string, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.SelectMordants(ctx, module, q); return err })
	return r.Modules.SelectMordants(ctx, module, q)
}

func (r *recorded) ScaleBaths(ctx context.Context, q *bathscalev1.ScaleBathsRequest) (*bathscalev1.ScaleBathsResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.ScaleBaths(ctx, q); return err })
	return r.Modules.ScaleBaths(ctx, q)
}

func (r *recorded) LayOut(ctx context.Context, q *bathscalev1.LayOutRequest) (*bathscalev1.LayOutResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.LayOut(ctx, q); return err })
	return r.Modules.LayOut(ctx, q)
}

func (r *recorded) ListFields(ctx context.Context, module string) (*safetyv1.ListFieldsResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.ListFields(ctx, module); return err })
	return r.Modules.ListFields(ctx, module)
}

func (r *recorded) NameMaterials(ctx context.Context, module string, q *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.NameMaterials(ctx, module, q); return err })
	return r.Modules.NameMaterials(ctx, module, q)
}

func (r *recorded) JudgeSteps(ctx context.Context, module string, q *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, *typesv1.ModuleIdentity, error) {
	r.keep(func(ctx context.Context) error { _, _, err := r.Modules.JudgeSteps(ctx, module, q); return err })
	return r.Modules.JudgeSteps(ctx, module, q)
}

// BenchmarkPlan is a plan of 3 baths and 12 pieces with all rules, nothing kept, against the sum of the calls to modules that it makes, by turns in one
// process. Wanted at most 1.3.
func BenchmarkPlan(b *testing.B) {
	modules := realModules(b)
	w := open(b, modules)
	w.answered(b)
	plan := plainWeek()
	tape := &recorded{Modules: modules}
	w.modules.Modules = tape
	_, err := w.Plan(b.Context(), ash, plan)
	require.NoError(b, err)
	w.modules.Modules = modules
	var sum [2]time.Duration
	turns := 0
	for b.Loop() {
		began := time.Now()
		if _, err := w.Plan(b.Context(), ash, plan); err != nil {
			b.Fatal(err)
		}
		sum[0] += time.Since(began)
		began = time.Now()
		for _, call := range tape.calls {
			if err := call(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
		sum[1] += time.Since(began)
		turns++
	}
	b.ReportMetric(float64(sum[0].Microseconds())/float64(turns), "µs/plan")
	b.ReportMetric(float64(sum[1].Microseconds())/float64(turns), "µs/bare-calls")
	b.ReportMetric(float64(sum[0])/float64(sum[1]), "ratio(limit-1.3)")
	b.ReportMetric(0, "ns/op")
}

// planCount is how many plans are kept.
const planCount = 1000

// BenchmarkInspectAgain holds 1,000 kept plans of 3 baths and 12 pieces against all rules again: first when these say what stands on the sheets, then when something else is to be
// said of each, so that each gets a next revision. Wanted at most 5 s. What differs is a second safety module that is down, there and gone by turns.
func BenchmarkInspectAgain(b *testing.B) {
	w := open(b, realModules(b))
	w.answered(b)
	for i := range planCount {
		p := plainWeek()
		p.Title = fmt.Sprintf("plan %d", i)
		p.Baths[0].Doses[0].Figure = &benchpb.PlanDose_PercentWof{PercentWof: 8 + float64(i)/200} // no two plans ask the same
		_, err := w.Keep(b.Context(), byAsh, p)
		require.NoError(b, err)
	}
	var unchanged, changed time.Duration
	turns := 0
	for b.Loop() {
		began := time.Now()
		same, err := w.InspectAgain(b.Context(), byAsh, nil)
		unchanged += time.Since(began)
		require.NoError(b, err)
		require.Len(b, same, planCount)
		if turns%2 == 0 {
			w.safety = []string{"safety-rules", "safety-new"}
			w.modules.takeAway("safety-new")
		} else {
			w.safety = []string{"safety-rules"}
		}
		began = time.Now()
		other, err := w.InspectAgain(b.Context(), byAsh, nil)
		changed += time.Since(began)
		require.NoError(b, err)
		for _, one := range other {
			if !one.GetChanged() {
				b.Fatalf("%v isn't changed", one)
			}
		}
		turns++
	}
	b.ReportMetric(unchanged.Seconds()/float64(turns), "s/1000-unchanged(limit-5)")
	b.ReportMetric(changed.Seconds()/float64(turns), "s/1000-changed(limit-5)")
	b.ReportMetric(0, "ns/op")
}
