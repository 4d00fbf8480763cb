package conformance_test

import (
	"context"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/overdye"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/reading"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

const (
	differenceV1 = "commonvat.module.difference.v1"
	readingV1    = "commonvat.module.reading.v1"
	paletteV1    = "commonvat.module.palette.v1"
	paletteV2    = "commonvat.module.palette.v2"
	compareV1    = "commonvat.module.compare.v1"
	overdyeV1    = "commonvat.module.overdye.v1"
)

// good are our own modules, the one of palette version 2, and one that serves both versions of palette.
func good() map[string]func() sdk.Module {
	return map[string]func() sdk.Module{
		reading.Name: reading.Module, difference.Name: difference.Module, palette.Name: palette.Module, compare.Name: compare.Module,
		overdye.Name: overdye.Module, mordant.Name: mordant.Module, bathscale.Name: bathscale.Module, safety.Name: safety.Module,
		"spread": spread, "wants-columns": wantsColumns, "both-versions": bothVersions,
	}
}

// firstVersion is our palette module as it was with version 1 alone, so that what is spoilt of it is spoilt in one contract.
func firstVersion() sdk.Module {
	d := palette.Describe()
	d.Contracts, d.Scores = []string{paletteV1}, nil
	return sdk.Module{Describe: d, Register: func(s *grpc.Server) { palettev1.RegisterPaletteServiceServer(s, palette.NewServer()) }}
}

// bothVersions serves palette versions 1 and 2 at once.
func bothVersions() sdk.Module {
	one, two := firstVersion(), spread()
	d := proto.CloneOf(two.Describe)
	d.Name, d.Contracts = "both-versions", []string{paletteV1, paletteV2}
	d.LawExceptions = nil
	d.Laws = []*describev1.LawPromise{
		{Law: describev1.Law_LAW_ORDER_FREE}, {Law: describev1.Law_LAW_REPLICATION_FREE},
		{Law: describev1.Law_LAW_MONOTONE, Of: []string{"hull_volume", "lightness_range"}},
	}
	return sdk.Module{Describe: d, Register: func(s *grpc.Server) { one.Register(s); two.Register(s) }}
}

type differencesRequest = differencev1.ComputeDifferencesRequest

// pairwise makes a bad difference module that answers with other figures.
func pairwise(fails, says string, change func(q *differencesRequest, i int, x float64) float64) bad {
	return bad{good: twoFormulas, fails: fails, contract: differenceV1, says: says,
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if a, ok := out.(*differencev1.ComputeDifferencesResponse); ok && err == nil {
				for i, x := range a.Differences {
					a.Differences[i] = change(req.(*differencesRequest), i, x)
				}
			}
			return out, err
		}}
}

// differing makes a bad difference module that takes requests otherwise.
func differing(fails, says string, call func(ctx context.Context, q *differencesRequest, next func(proto.Message) (proto.Message, error)) (proto.Message, error)) bad {
	return bad{good: twoFormulas, fails: fails, contract: differenceV1, says: says,
		call: func(ctx context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			if q, ok := req.(*differencesRequest); ok {
				return call(ctx, q, next)
			}
			return next(req)
		}}
}

// largest is how many of the largest questions this process has been asked.
var largest atomic.Int64

// abandoned tells of a largest question that whoever asked it has gone. The first is answered after a second: the suite then goes away at parts of that time, so that
// on a machine however busy the later ones have come here by then.
func abandoned(ctx context.Context) bool {
	if largest.Add(1) == 1 {
		time.Sleep(time.Second)
		return false
	}
	<-ctx.Done()
	return true
}

// widths makes a bad module of palette version 1 that changes its answers.
func widths(fails, says string, change func(got []proto.Message, a *palettev1.MeasureWidthsResponse)) bad {
	return bad{good: firstVersion, fails: fails, contract: paletteV1, says: says, sends: func(got []proto.Message, out proto.Message) {
		if a, ok := out.(*palettev1.MeasureWidthsResponse); ok {
			change(got, a)
		}
	}}
}

// scores makes a bad module of palette version 2 that changes its answers.
func scores(fails, says string, change func(got []proto.Message, a *palettev2.ScorePalettesResponse)) bad {
	return bad{good: spread, fails: fails, contract: paletteV2, says: says, sends: func(got []proto.Message, out proto.Message) {
		if a, ok := out.(*palettev2.ScorePalettesResponse); ok {
			change(got, a)
		}
	}}
}

// predictions makes a bad overdye module that changes its answers.
func predictions(fails, says string, change func(q *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse)) bad {
	return bad{good: overdye.Module, fails: fails, contract: overdyeV1, says: says,
		call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if a, ok := out.(*overdyev1.PredictOverdyeResponse); ok && err == nil {
				change(req.(*overdyev1.PredictOverdyeRequest), a)
			}
			return out, err
		}}
}

func verdicts(fails, says string, change func(got []proto.Message, a *comparev1.CompareOrdersResponse)) bad {
	return bad{good: compare.Module, fails: fails, contract: compareV1, says: says, sends: func(got []proto.Message, out proto.Message) {
		if a, ok := out.(*comparev1.CompareOrdersResponse); ok {
			change(got, a)
		}
	}}
}

func badModules() map[string]bad {
	out := map[string]bad{}
	for _, more := range []map[string]bad{badProcesses(), badCalls(), badLaws(), badFurther(), badDays(), badBench()} {
		for name, b := range more {
			out[name] = b
		}
	}
	// Laws take most of the time. They are tried beside the first bad module of each step that is a contract's own, to show that it fails no other.
	tried := map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(out)) {
		b := out[name]
		if !ownSteps[b.fails] {
			continue
		}
		if tried[b.contract+" "+b.fails] && b.describe == nil {
			b.describe = exceptLaws
			out[name] = b
		}
		tried[b.contract+" "+b.fails] = true
	}
	return out
}

// ownSteps are those of single contracts.
var ownSteps = map[string]bool{
	"order effect": true, "waters": true, "groups": true, "judgements": true, "days": true, "water": true, "rescale": true, "schedule": true, "fields": true, "names": true, "data": true,
}

// exceptLaws makes exceptions of all promises.
func exceptLaws(m sdk.Module) {
	for _, p := range m.Describe.GetLaws() {
		m.Describe.LawExceptions = append(m.Describe.LawExceptions, &describev1.LawException{Law: p.GetLaw(), Of: p.GetOf(), Reason: "It is tried of another bad module."})
	}
	m.Describe.Laws = nil
}

// oddModules are neither good nor bad: they except laws, promise one that can't be tried, or serve a contract of the future.
func oddModules() map[string]bad {
	return map[string]bad{
		"excepts-symmetry": {good: twoFormulas, describe: func(m sdk.Module) {
			d := m.Describe
			d.Laws = slices.DeleteFunc(d.Laws, func(p *describev1.LawPromise) bool { return p.GetLaw() == describev1.Law_LAW_SYMMETRY })
			d.LawExceptions = []*describev1.LawException{
				{Law: describev1.Law_LAW_SYMMETRY, Reason: "The reference weighs more."},
				{Law: describev1.Law_LAW_LINEAR, Of: []string{"ciede2000"}, Reason: "It is no metric."},
			}
		}},
		"promises-untried": {good: reading.Module, describe: func(m sdk.Module) {
			m.Describe.Laws = append(m.Describe.Laws, &describev1.LawPromise{Law: describev1.Law_LAW_UNKNOWN_NEVER_CLEARS})
		}},
		"orders-alone": {good: ordersAlone},
		"one-newer-contract": {good: firstVersion, describe: func(m sdk.Module) {
			m.Describe.Contracts = append(m.Describe.Contracts, "commonvat.module.palette.v7")
			m.Describe.Scores = palette.Describe().GetScores() // which every version but the first asks for
		}},
	}
}

func badProcesses() map[string]bad {
	d := twoFormulas
	describing := func(says string, change func(*describev1.DescribeResponse)) bad {
		return bad{good: d, fails: "describe", says: says, describe: func(m sdk.Module) { change(m.Describe) }}
	}
	var asked atomic.Int32
	return map[string]bad{
		"ends-at-once":  {good: d, fails: "start", says: "exit status 3", before: func() { exit(3) }},
		"prints-first":  {good: d, fails: "start", says: `standard output began with "debug`, before: printStray},
		"prints-later":  {good: d, fails: "standard output", says: `after the handshake it printed "debug`, call: printing},
		"cut-handshake": {good: d, fails: "start", before: func() { _, _ = realStdout().WriteString("1|1|unix\n") }},
		"never-speaks":  {good: d, fails: "start", says: "no handshake", before: func() { time.Sleep(time.Hour) }},

		"no-author":           describing("author is empty", func(d *describev1.DescribeResponse) { d.Author = "" }),
		"other-than-manifest": describing("module.json says", func(d *describev1.DescribeResponse) { d.Version = "9.9.9" }),
		"other-in-process":    describing("a second process", func(d *describev1.DescribeResponse) { d.Summary += fmt.Sprint(os.Getpid()) }),
		"other-each-time": {good: d, fails: "describe", says: "asked twice", call: func(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
			out, err := next(req)
			if x, ok := out.(*describev1.DescribeResponse); ok {
				x.Summary += fmt.Sprint(asked.Add(1))
			}
			return out, err
		}},
		"law-forgotten": describing("law symmetry is expected", func(d *describev1.DescribeResponse) {
			d.Laws = slices.DeleteFunc(d.Laws, func(p *describev1.LawPromise) bool { return p.GetLaw() == describev1.Law_LAW_SYMMETRY })
		}),
		"law-half-forgotten": describing("law symmetry of ciede2000 is expected", func(d *describev1.DescribeResponse) { d.Laws[1].Of = []string{"cie76"} }),
		"law-without-reason": describing("law_exceptions[0].reason is empty", func(d *describev1.DescribeResponse) {
			d.Laws = slices.Delete(d.Laws, 1, 2)
			d.LawExceptions = []*describev1.LawException{{Law: describev1.Law_LAW_SYMMETRY}}
		}),
		"law-both-ways": describing("promised and excepted", func(d *describev1.DescribeResponse) {
			d.LawExceptions = []*describev1.LawException{{Law: describev1.Law_LAW_SYMMETRY, Reason: "Now and then."}}
		}),
		"law-of-nothing":   describing(`of[0] is "cie2044"`, func(d *describev1.DescribeResponse) { d.Laws[4].Of = []string{"cie2044"} }),
		"law-unknown":      describing("laws[5].law is 77", func(d *describev1.DescribeResponse) { d.Laws = append(d.Laws, &describev1.LawPromise{Law: 77}) }),
		"law-too-tolerant": describing("relative_tolerance is 0.5", func(d *describev1.DescribeResponse) { d.Laws[0].RelativeTolerance = 0.5 }),

		"newer-contract": {good: d, fails: "contracts", says: "commonvat.module.difference.v9 is newer than what this side knows (commonvat.module.difference.v1): upgrade Commonvat",
			describe: func(m sdk.Module) { m.Describe.Contracts = []string{"commonvat.module.difference.v9"} }},
		"unserved-contract": {good: d, fails: "plain questions", contract: differenceV1, says: "Unimplemented", unserved: true},

		"does-not-end": {good: d, fails: "clean exit", says: "signal: killed", after: func() { time.Sleep(time.Hour) }},
		"ends-badly":   {good: d, fails: "clean exit", says: "exit status 4", after: func() { exit(4) }},
		"leaves-child": {good: d, fails: "clean exit", says: "processes that it started live on", after: func() {
			child := exec.Command("/bin/sleep", "600")
			child.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
			if child.Start() != nil {
				exit(5)
			}
		}},
		"leaves-file": {good: d, fails: "clean exit", says: "its own folder changed: notes.txt", after: func() {
			if os.WriteFile("notes.txt", []byte("remember me"), 0o600) != nil {
				exit(5)
			}
		}},
		"outlives-host": {good: d, fails: "lifeline", says: "still runs", noLifeline: true},
	}
}

func printing(_ context.Context, req proto.Message, next func(proto.Message) (proto.Message, error)) (proto.Message, error) {
	if _, ok := req.(*differencesRequest); ok {
		printStray()
	}
	return next(req)
}

// fussy is a codec that ends the process over bytes that are no message.
type fussy struct{ encoding.Codec }

func (f fussy) Unmarshal(b []byte, v any) error {
	err := f.Codec.Unmarshal(b, v)
	if err != nil {
		exit(6)
	}
	return err
}

type plainCodec struct{}

func (plainCodec) Name() string                  { return "proto" }
func (plainCodec) Marshal(v any) ([]byte, error) { return proto.Marshal(v.(proto.Message)) }
func (plainCodec) Unmarshal(b []byte, v any) error {
	return proto.Unmarshal(b, v.(proto.Message))
}

func badCalls() map[string]bad {
	var calls atomic.Int32
	var lock sync.Mutex
	var shared *differencesRequest
	type next = func(proto.Message) (proto.Message, error)
	return map[string]bad{
		"one-short": differing("plain questions", "differences has 0 figures for 1 pairs", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			out, err := next(q)
			if a, ok := out.(*differencev1.ComputeDifferencesResponse); ok && err == nil {
				a.Differences = a.Differences[1:]
			}
			return out, err
		}),
		"answers-nan":      pairwise("plain questions", "differences[0] is NaN", func(*differencesRequest, int, float64) float64 { return math.NaN() }),
		"answers-negative": pairwise("plain questions", "differences[0] is -", func(_ *differencesRequest, _ int, x float64) float64 { return -x }),
		"never-answers": differing("plain questions", "no answer within", func(ctx context.Context, _ *differencesRequest, _ next) (proto.Message, error) {
			<-ctx.Done()
			return nil, status.FromContextError(ctx.Err()).Err()
		}),
		"counts-calls": pairwise("same answer", "asked twice", func(_ *differencesRequest, _ int, x float64) float64 { return x + float64(calls.Add(1)) }),
		"by-process":   pairwise("same answer", "second process", func(_ *differencesRequest, _ int, x float64) float64 { return x + float64(os.Getpid()) }),
		"empty-is-fine": differing("empty question", "it was answered", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if len(q.GetPairs()) == 0 {
				return &differencev1.ComputeDifferencesResponse{Formula: "none"}, nil
			}
			return next(q)
		}),
		"takes-infinity": differing("not a number", "k_h is +Inf: it was answered", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if math.IsInf(q.GetKH(), 1) {
				q.KH = 1
			}
			return next(q)
		}),
		"dies-of-nan": differing("not a number", "k_l is NaN", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if math.IsNaN(q.GetKL()) {
				exit(7)
			}
			return next(q)
		}),
		"internal-fault": differing("out of range", "refused with Internal", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if q.GetFormula() == "no such formula" {
				return nil, status.Error(codes.Internal, "formula not found")
			}
			return next(q)
		}),
		"names-nothing": differing("out of range", `refused with "bad request"`, func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if q.GetKC() == 10.5 {
				return nil, status.Error(codes.InvalidArgument, "bad request")
			}
			return next(q)
		}),
		"dies-of-later-fields": differing("unknown fields", "refused with Unavailable", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if len(q.ProtoReflect().GetUnknown()) > 0 {
				exit(8)
			}
			return next(q)
		}),
		"reads-later-fields": differing("unknown fields", "changed the answer", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			out, err := next(q)
			if a, ok := out.(*differencev1.ComputeDifferencesResponse); ok && err == nil && len(q.ProtoReflect().GetUnknown()) > 0 {
				a.Differences[0]++
			}
			return out, err
		}),
		"dies-of-bytes": {good: twoFormulas, fails: "bytes that are no message", contract: differenceV1, says: "did not get over them",
			options: []grpc.ServerOption{grpc.ForceServerCodec(fussy{plainCodec{}})}},
		"takes-little": differing("largest question", "a sound question was refused", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if n := len(q.GetPairs()); n > 1000 && n <= 10_000 {
				return nil, status.Error(codes.InvalidArgument, "pairs has too many")
			}
			return next(q)
		}),
		"takes-too-many": differing("beyond the limits", "it was answered", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if len(q.GetPairs()) > 10_000 {
				q.Pairs = q.Pairs[:1]
			}
			return next(q)
		}),
		"mixes-calls": differing("many calls at once", "beside others", func(_ context.Context, q *differencesRequest, next next) (proto.Message, error) {
			lock.Lock()
			shared = q
			lock.Unlock()
			time.Sleep(4 * time.Millisecond)
			lock.Lock()
			defer lock.Unlock()
			if len(shared.GetPairs()) == len(q.GetPairs()) {
				q.Formula = shared.GetFormula()
			}
			return next(q)
		}),
		"calculates-on": differing("calls given up", "still calculates", func(ctx context.Context, q *differencesRequest, next next) (proto.Message, error) {
			if len(q.GetPairs()) == 10_000 && abandoned(ctx) {
				for began := time.Now(); time.Since(began) < time.Minute; {
				}
			}
			return next(q)
		}),
		"blocks-others": differing("calls given up", "the next question", func(ctx context.Context, q *differencesRequest, next next) (proto.Message, error) {
			lock.Lock()
			defer lock.Unlock()
			if len(q.GetPairs()) == 10_000 && abandoned(ctx) {
				time.Sleep(time.Minute)
			}
			return next(q)
		}),
		"dies-of-half-streams": {good: firstVersion, fails: "calls given up", contract: paletteV1, ends: func(err error) error {
			if status.Code(err) == codes.Canceled {
				exit(9)
			}
			return err
		}},
		"colour-and-fault": {good: reading.Module, fails: "plain questions", contract: readingV1, says: "for a sound measurement",
			call: func(_ context.Context, req proto.Message, next next) (proto.Message, error) {
				out, err := next(req)
				if a, ok := out.(*readingv1.ComputeColoursResponse); ok && err == nil {
					a.Colours[0].Fault = "none"
				}
				return out, err
			}},
		"fault-without-field": {good: reading.Module, fails: "out of range", contract: readingV1, says: `the fault is "bad curve"`,
			call: func(_ context.Context, req proto.Message, next next) (proto.Message, error) {
				out, err := next(req)
				if a, ok := out.(*readingv1.ComputeColoursResponse); ok && err == nil {
					for _, c := range a.GetColours() {
						if strings.Contains(c.GetFault(), "step_nm is 7") {
							c.Fault = "bad curve"
						}
					}
				}
				return out, err
			}},
		"group-left-out": widths("plain questions", "groups has 1 answers for 2", func(_ []proto.Message, a *palettev1.MeasureWidthsResponse) {
			a.Groups = a.Groups[:min(len(a.Groups), 1)]
		}),
		"no-row-count": {good: firstVersion, fails: "out of range", contract: paletteV1, says: "row_count is one more",
			receives: func(in proto.Message) {
				if h := in.(*palettev1.MeasureWidthsRequest).GetHeader(); h != nil && h.GetRowCount() == 9 && len(h.GetLabels().GetGroups())*len(h.GetLabels().GetBlocks())*len(h.GetLabels().GetCells()) == 8 {
					h.RowCount = 8
				}
			}},
		"p-while-exploring": verdicts("plain questions", "exploratory answer has a p", func(_ []proto.Message, a *comparev1.CompareOrdersResponse) {
			if a.P == nil {
				a.P = proto.Float64(0.04)
			}
		}),
		"answers-order-unfitted": predictions("plain questions", "blind to the order", func(q *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if q.GetAskOrder() && a.GetStanding() == overdyev1.Standing_STANDING_NOT_ENOUGH_YET {
				a.Order = &overdyev1.OrderAnswer{Answered: true, ReversedLab: a.GetPrediction().GetLab()}
			}
		}),
		"publishes-no-better": predictions("plain questions", "a model that is no better must not predict", func(_ *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if a.GetStanding() == overdyev1.Standing_STANDING_NO_BETTER_THAN_A_RULE {
				a.Standing, a.Prediction = overdyev1.Standing_STANDING_FITTED, &overdyev1.OverdyePrediction{Lab: &typesv1.Lab{L: 30}, Reflectance: make([]float64, 31)}
			}
		}),
		"radius-of-five": predictions("plain questions", "too few for 0.9", func(_ *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if a.GetStanding() == overdyev1.Standing_STANDING_FITTED && a.GetTrialCount() == 5 {
				a.RadiusDe00 = proto.Float64(1)
			}
		}),
		"radius-of-any-bath": predictions("plain questions", "any_bath_radius_de00 is 1, want", func(_ *overdyev1.PredictOverdyeRequest, a *overdyev1.PredictOverdyeResponse) {
			if a.GetStanding() == overdyev1.Standing_STANDING_FITTED && a.GetTrialCount() == 5 {
				a.AnyBathRadiusDe00 = proto.Float64(1)
			}
		}),
		"relabels-nothing": scores("relabellings", "relabelling", func(_ []proto.Message, a *palettev2.ScorePalettesResponse) {
			if a.GetRelabelling() > 0 {
				for _, g := range a.GetGroups() {
					g.Scores[0].Value *= 1.5
				}
			}
		}),
		"relabelling-miscounted": scores("plain questions", "message 1 is of relabelling 2", func(_ []proto.Message, a *palettev2.ScorePalettesResponse) {
			if a.GetRelabelling() > 0 {
				a.Relabelling++
			}
		}),
		"own-order-of-scores": scores("scores asked for", "scores", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			if s := got[0].(*palettev2.ScorePalettesRequest).GetHeader().GetScores(); len(s) == 2 && s[0] != "dispersion" {
				for _, g := range a.GetGroups() {
					slices.Reverse(g.Scores)
				}
			}
		}),
		"default-is-another": scores("default parameters", "weight set to its default", func(got []proto.Message, a *palettev2.ScorePalettesResponse) {
			if len(got[0].(*palettev2.ScorePalettesRequest).GetHeader().GetParameters()) > 0 {
				for _, g := range a.GetGroups() {
					g.Scores[1].Value *= 2
				}
			}
		}),
		"below-least-cells": {good: spread, fails: "plain questions", contract: paletteV2, says: "below its least_cells",
			describe: func(m sdk.Module) { m.Describe.Scores[1].LeastCells = 5 }},
	}
}

// asked are the scores that a question wants.
func asked(got []proto.Message) []string {
	if s := got[0].(*palettev2.ScorePalettesRequest).GetHeader().GetScores(); len(s) > 0 {
		return s
	}
	return []string{"dispersion", "lightness_range"}
}

// spoilScore changes a score wherever it has a value.
func spoilScore(got []proto.Message, a *palettev2.ScorePalettesResponse, name string, change func(*palettev2.GroupScores, float64) float64) {
	i := slices.Index(asked(got), name)
	if i < 0 {
		return
	}
	for _, g := range a.GetGroups() {
		if g.Scores[i].GetNotComputed() == "" {
			g.Scores[i].Value = change(g, g.Scores[i].Value)
		}
	}
}

func addChroma(a *palettev1.MeasureWidthsResponse, x float64) {
	for _, g := range a.GetGroups() {
		g.ChromaRange += x / 1000
	}
}

func weighReadings(_ []proto.Message, a *palettev1.MeasureWidthsResponse) {
	for _, g := range a.GetGroups() {
		g.Dispersion *= float64(g.GetReadings())
	}
}

// lightest is the largest L* among the rows.
func lightest(got []proto.Message) float64 {
	var out float64
	for _, m := range got {
		for _, l := range m.(*palettev2.ScorePalettesRequest).GetColumns().GetColours().GetL() {
			out = max(out, l)
		}
	}
	return out
}

// twoFormulas is the module of differences before it described formulas beyond the two words of its contract: laws hold for all that it describes.
func twoFormulas() sdk.Module {
	m := difference.Module()
	m.Describe.Parameters = slices.DeleteFunc(m.Describe.Parameters, func(p *describev1.Parameter) bool { return p.GetName() == "formula" })
	m.Describe.LawExceptions = nil
	for _, l := range m.Describe.GetLaws() {
		if l.GetLaw() == describev1.Law_LAW_SYMMETRY {
			l.Of = nil
		}
	}
	return m
}
