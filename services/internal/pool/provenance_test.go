package pool_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	api "github.com/commonvat/commonvat/services/internal/api/poolv1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// answer is what the answers to all pooled questions have in common.
type answer interface {
	proto.Message
	GetLeftOut() []*poolv1.LeftOut
	GetCondition() *typesv1.ColourCondition
	GetModules() []*typesv1.ModuleIdentity
	GetPoolRevision() int64
}

// lacks says what an answer doesn't tell of what it stands on: rows used, rows left out, why, conditions, parameters, digests of modules, revision of the
// pool, seed.
func lacks(a answer) []string {
	var used int
	var question proto.Message
	seeded := false
	switch a := a.(type) {
	case *poolv1.AskPaletteResponse:
		used, question, seeded = int(a.GetReadingsUsed()), a.GetQuestion(), a.GetSeed() != 0
	case *poolv1.ComparePiecesResponse:
		for _, r := range []*poolv1.ReadingUsed{a.GetReferenceReading(), a.GetSampleReading()} {
			if r.GetReadingId() != "" && r.GetPieceId() != "" {
				used++
			}
		}
		question, seeded = a.GetQuestion(), a.GetNothingDrawn()
	case *poolv1.PredictOverdyeResponse:
		used, question, seeded = len(a.GetReadings()), a.GetQuestion(), a.GetNothingDrawn()
	}
	var out []string
	need := func(what string, has bool) {
		if !has {
			out = append(out, what)
		}
	}
	need("rows used", used > 0)
	need("rows left out", len(a.GetLeftOut()) > 0)
	for _, l := range a.GetLeftOut() {
		need("why they were left out", l.GetReason() != "" && l.GetCount() > 0 && l.GetUnit() != "")
	}
	need("condition", a.GetCondition().GetIlluminant() != 0 && a.GetCondition().GetObserver() != 0)
	need("parameters", question != nil && proto.Size(question) > 0)
	need("modules", len(a.GetModules()) > 0)
	for _, m := range a.GetModules() {
		need("digest of a module", len(m.GetDigest()) > 0 && m.GetName() != "" && m.GetVersion() != "" && m.GetKind() != "")
	}
	need("pool revision", a.GetPoolRevision() > 0)
	need("seed, or that nothing was drawn", seeded)
	return out
}

// Every answer over the pool, of each question in each standing, tells what it stands on.
func TestEveryAnswerTellsWhatItStandsOn(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	wet := func(r *trial.Reading) { r.State = trial.Wet }
	orders := experiment(s, 6)
	waters, mill, tap := wells(s, 6)
	onMordant := mordants(s, "alum", "iron")
	for range 6 {
		orderSession(b, orders, "weld")
		dyed(b, waters, 6, mill, tap)
		onMordants(b, onMordant, []string{"weld", "madder"}, "alum", "iron")
	}
	for _, of := range []trial.ID{orders, waters, onMordant} { // a piece that was read wet alone, in each
		b.read(b.piece(b.session(of), wool("w"), mordant("alum"), pot("weld"), vat()), lab(50, 0, 0), wet)
	}
	reference, sample := &b.Pieces[0], &b.Pieces[1]
	b.read(reference, lab(10, 0, 0), wet)
	b.judge(reference.ID, sample.ID, trial.Yellower, trial.ChoseFirst)
	names := potSession(b, "w 1")
	for range 4 {
		potSession(b, "w 1")
	}
	b.read(b.piece(b.session(""), wool("w 1"), mordant("alum"), pot("weld"), vat()), lab(50, 0, 0)) // without plain pieces
	s.put(b.Trial)
	h := open(t, s)
	service := api.New(api.Config{Pool: h.pool})
	ctx := access.WithCaller(t.Context(), access.Caller{ID: "ash"})
	now := h.Revision()
	ask := func(by poolv1.GroupBy, experiment trial.ID) func(context.Context) (answer, error) {
		return func(ctx context.Context) (answer, error) {
			return service.AskPalette(ctx, &poolv1.AskPaletteRequest{GroupBy: by, ExperimentId: experiment, MinimumRevision: now})
		}
	}
	asked := map[string]bool{}
	for _, c := range []struct {
		call, name string
		ask        func(context.Context) (answer, error)
	}{
		{"AskPalette", "orders, their colours, blank arms and judgements", ask(poolv1.GroupBy_GROUP_BY_ORDER, "")},
		{"AskPalette", "waters", ask(poolv1.GroupBy_GROUP_BY_WATER, "")},
		{"AskPalette", "fibres", ask(poolv1.GroupBy_GROUP_BY_FIBRE, "")},
		{"AskPalette", "mordants", ask(poolv1.GroupBy_GROUP_BY_MORDANT, "")},
		{"AskPalette", "exhaust baths", ask(poolv1.GroupBy_GROUP_BY_EXHAUST, "")},
		{"AskPalette", "an experiment on orders", ask(poolv1.GroupBy_GROUP_BY_ORDER, orders)},
		{"AskPalette", "an experiment on waters", ask(poolv1.GroupBy_GROUP_BY_WATER, waters)},
		{"AskPalette", "an experiment on mordants", ask(poolv1.GroupBy_GROUP_BY_MORDANT, onMordant)},
		{"ComparePieces", "two pieces", func(ctx context.Context) (answer, error) {
			return service.ComparePieces(ctx, &poolv1.ComparePiecesRequest{ReferencePiece: reference.ID, SamplePiece: sample.ID})
		}},
		{"PredictOverdye", "a second bath", func(ctx context.Context) (answer, error) {
			return service.PredictOverdye(ctx, &poolv1.PredictOverdyeRequest{FirstPiece: names["weld"], SecondDye: "indigo", AskOrder: true, MinimumRevision: now})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, err := c.ask(ctx)
			require.NoError(t, err)
			assert.Empty(t, lacks(a), "%v", a)
		})
		asked[c.call] = true
	}
	// GetPoolStatus answers no question over rows.
	calls := poolv1.File_commonvat_pool_v1_pool_proto.Services().ByName("PoolService").Methods()
	for i := range calls.Len() {
		name := string(calls.Get(i).Name())
		assert.True(t, asked[name] || name == "GetPoolStatus", "%s isn't asked here", name)
	}
}
