package pool_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// jargon is what a dyer who never heard of statistics would stumble over.
var jargon = []string{"cell", "block", "stratum", "strata", "matched", "permut", "arrangement", "n =", "group_by", "covariate", "rank", "unit", "joined", "degrees"}

// wanting collects what the parts of an answer say is missing, and faults a part that isn't enough yet and doesn't say what is missing.
func wanting(t *testing.T, m protoreflect.Message) (out []string) {
	fields := m.Descriptor().Fields()
	if missing := fields.ByName("missing"); missing != nil {
		var said []string
		if missing.IsList() {
			for i := range m.Get(missing).List().Len() {
				said = append(said, m.Get(missing).List().Get(i).String())
			}
		} else if m.Get(missing).String() != "" {
			said = append(said, m.Get(missing).String())
		}
		for _, name := range []protoreflect.Name{"standing", "verdict"} {
			if f := fields.ByName(name); f != nil && strings.HasSuffix(string(f.Enum().Values().ByNumber(m.Get(f).Enum()).Name()), "NOT_ENOUGH_YET") {
				assert.NotEmpty(t, said, "%s is not enough yet and doesn't say for want of what: %v", m.Descriptor().Name(), m.Interface())
			}
		}
		out = append(out, said...)
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.IsList() && f.Message() != nil:
			for i := range v.List().Len() {
				out = append(out, wanting(t, v.List().Get(i).Message())...)
			}
		case !f.IsList() && f.Message() != nil:
			out = append(out, wanting(t, v.Message())...)
		}
		return true
	})
	return out
}

// gate is a question that isn't enough yet.
type gate struct {
	name string
	fill func(s *shelf) pool.Question
	want string // one of the sentences that say what is missing
}

func gates() []gate {
	fill := func(b *book, s *shelf) { s.put(b.Trial) }
	return []gate{
		{"orders: nothing yet", func(s *shelf) pool.Question {
			return pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: experiment(s, 7)}
		},
			"7 more sessions with weld and indigo in both orders"},
		{"orders: too few sessions", func(s *shelf) pool.Question {
			id := experiment(s, 6)
			b := newBook("ash")
			orderSession(b, id, "weld")
			orderSession(b, id, "weld")
			fill(b, s)
			return pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id}
		}, "4 more sessions with weld and indigo in both orders"},
		{"orders: no session holds both", func(s *shelf) pool.Question {
			b := newBook("ash")
			b.read(b.piece(b.session(""), wool("w"), mordant("alum"), pot("weld"), vat()), lab(50, 0, 0))
			b.read(b.piece(b.session(""), wool("w"), mordant("alum"), vat(), pot("weld")), lab(50, 0, 0))
			fill(b, s)
			return byOrder
		}, "a session with indigo and weld in both orders, of pieces alike in fibre, mordants, water and depths"},
		{"orders: no experiment asks", func(s *shelf) pool.Question {
			b := newBook("ash")
			orderSession(b, "", "weld")
			fill(b, s)
			return byOrder
		}, "for a verdict: an experiment on indigo and weld, of 6 sessions or more"},
		{"orders: no session is known", func(s *shelf) pool.Question {
			b := newBook("ash")
			alum, weld, indigo := mordant("alum"), pot("weld"), vat()
			b.read(b.piece("", wool("w"), alum, weld, indigo), lab(50, 0, 0))
			b.read(b.piece("", wool("w"), alum, indigo, weld), lab(50, 0, 0))
			fill(b, s)
			return byOrder
		}, "the sessions of the pieces with indigo and weld in both orders, as none is told"},
		{"judgements: too few", func(s *shelf) pool.Question {
			b := newBook("ash")
			weld, indigo := b.side("")
			b.judge(weld, indigo, trial.Yellower, trial.ChoseFirst)
			fill(b, s)
			return byOrder
		}, "5 more sessions in which one of the two is called yellower"},
		{"waters: nothing yet", func(s *shelf) pool.Question {
			id, _, _ := wells(s, 6)
			return pool.Question{GroupBy: byWater.GroupBy, ExperimentID: id}
		}, "6 more sessions with pieces in Town tap and Mill well that are otherwise alike"},
		{"waters: too few recipes", func(s *shelf) pool.Question {
			id, mill, tap := wells(s, 6)
			b := newBook("ash")
			for range 6 {
				dyed(b, id, 4, mill, tap)
			}
			fill(b, s)
			return pool.Question{GroupBy: byWater.GroupBy, ExperimentID: id}
		}, "2 more recipes dyed alike in both waters, each within one session"},
		{"waters: one was never used", func(s *shelf) pool.Question {
			id, mill, _ := wells(s, 6)
			b := newBook("ash")
			dyed(b, id, 6, mill)
			fill(b, s)
			return pool.Question{GroupBy: byWater.GroupBy, ExperimentID: id}
		}, "6 more sessions with pieces in Town tap and Mill well that are otherwise alike"},
		{"waters: not stated", func(s *shelf) pool.Question {
			b := newBook("ash")
			b.read(b.piece(b.session(""), wool("w"), mordant("alum"), pot("weld")), lab(50, 0, 0))
			fill(b, s)
			return byWater
		}, "pieces of which the water, the yarn lot and every bath are stated"},
		{"waters: none beside another", func(s *shelf) pool.Question {
			_, mill, _ := wells(s, 6)
			b := newBook("ash")
			dyed(b, "", 6, mill)
			fill(b, s)
			return byWater
		}, "a session with pieces dyed in two waters, of one yarn, mordanted and dyed alike"},
		{"mordants: nothing yet", func(s *shelf) pool.Question {
			return pool.Question{GroupBy: byMordant.GroupBy, ExperimentID: mordants(s, "alum", "iron", "tin")}
		}, "6 more sessions with pieces in at least two of alum, iron and tin that are otherwise alike"},
		{"mordants: one stands nowhere", func(s *shelf) pool.Question {
			id := mordants(s, "alum", "iron", "tin")
			b := newBook("ash")
			for range 6 {
				onMordants(b, id, []string{"weld", "madder"}, "alum", "iron")
			}
			fill(b, s)
			return pool.Question{GroupBy: byMordant.GroupBy, ExperimentID: id}
		}, "at least 1 session that holds tin beside the others"},
		{"mordants: never side by side", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld", "madder"}, "alum")
			onMordants(b, "", []string{"weld", "madder"}, "iron")
			fill(b, s)
			return byMordant
		}, "a session with pieces of two mordants, of one yarn and dyed alike"},
		{"fibres: never side by side", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld"}, "alum")
			fill(b, s)
			return pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}
		}, "a session with pieces of two fibres, mordanted and dyed alike"},
		{"exhaust baths: never side by side", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld"}, "alum")
			fill(b, s)
			return pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_EXHAUST}
		}, "a session with pieces of a fresh bath and of an exhaust bath, of one yarn, mordanted and dyed alike"},
		{"palettes: too few pieces", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld", "madder"}, "alum", "iron")
			fill(b, s)
			return byMordant
		}, "4 more pieces of other recipes, or of the same in other sessions"},
		{"palettes: a thin pair", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld", "madder"}, "alum", "iron")
			fill(b, s)
			return byMordant
		}, "4 more pieces mordanted with iron, of other recipes or from other sessions"},
		{"palettes: a thin pair over two yarns", func(s *shelf) pool.Question {
			b := newBook("ash")
			for _, lot := range []string{"w 1", "w 2"} {
				session := b.session("")
				for i, name := range []string{"alum", "iron"} {
					for k := range 4 {
						b.read(b.piece(session, wool(lot), mordant(name), pot(fmt.Sprint("dye ", k))), lab(50, float64(10*k), float64(10*i)))
					}
				}
			}
			fill(b, s)
			return byMordant
		}, "1 more yarn with 2 pieces or more of each group, of other recipes or from other sessions"},
		{"palettes: one piece too few", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld", "madder", "cochineal", "walnut", "logwood"}, "alum", "iron")
			fill(b, s)
			return byMordant
		}, "1 more piece of another recipe, or of the same in another session"},
		{"palettes: a pair with one piece too few", func(s *shelf) pool.Question {
			b := newBook("ash")
			onMordants(b, "", []string{"weld", "madder", "cochineal", "walnut", "logwood"}, "alum", "iron")
			fill(b, s)
			return byMordant
		}, "1 more piece mordanted with iron, of another recipe or from another session"},
		{"palettes: fibres read in two ways, too few in each", func(s *shelf) pool.Question {
			return fibresReadApart(s, 7, 5)
		}, "1 more piece of silk, of another recipe or from another session, read alike (instrument bench)"},
		{"palettes: fibres read in two ways, enough in one", func(s *shelf) pool.Question {
			return fibresReadApart(s, 7, 6)
		}, "a question about what was read alike (instrument bench), which a filter by instrument or state keeps to"},
	}
}

// fibresReadApart has so many pieces of wool and of silk read at the bench, and three of each read elsewhere.
func fibresReadApart(s *shelf, woollen, silken int) pool.Question {
	b := newBook("ash")
	session := b.session("")
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Lot: "s"}
	for fibre, bench := range map[*trial.Fibre]int{{Composition: wool("w").Composition, Lot: "w"}: woollen, &silk: silken} {
		for k := range bench + 3 {
			b.read(b.piece(session, *fibre, mordant("alum"), pot(fmt.Sprint("dye ", k))), lab(50, float64(10*k), 0), func(r *trial.Reading) {
				if r.Instrument = "bench"; k >= bench {
					r.Instrument = "field"
				}
			})
		}
	}
	s.put(b.Trial)
	return pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE}
}

// Fibres never lie on one yarn, so nobody is told to bring them there.
func TestFibresThatWereNotReadAlike(t *testing.T) {
	s := newShelf()
	q := fibresReadApart(s, 7, -2) // one of silk, read elsewhere
	q.MinimumRevision = s.Revision()
	answer := open(t, s).ask(t, q)
	assert.Equal(t, "Not enough yet: no two fibres stand side by side, read alike, with at least 2 cells of each", answer.GetHeadline())
	assert.Contains(t, answer.GetCannotTell(), "1 of 1 pairs of groups stand nowhere side by side read alike, with at least 2 cells of each")
}

// Every gate that isn't met says what is missing in a dyer's words: how many of what, by the names of the record. Gates that the modules keep themselves are tried in their packages.
func TestEveryGateSaysWhatIsMissing(t *testing.T) {
	for _, g := range gates() {
		t.Run(g.name, func(t *testing.T) {
			s := newShelf()
			q := g.fill(s)
			h := open(t, s)
			answer := h.ask(t, q)
			missing := wanting(t, answer.ProtoReflect())
			assert.Contains(t, missing, g.want)
			spoken(t, missing)
			if strings.HasPrefix(answer.GetHeadline(), "Not enough yet") {
				assert.Equal(t, poolv1.Standing_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
			}
		})
	}
}

func spoken(t *testing.T, missing []string) {
	t.Helper()
	for _, text := range missing {
		for _, word := range jargon {
			assert.NotContains(t, text, word)
		}
		assert.False(t, strings.HasSuffix(text, "."), "it stands inside of sentences: %s", text)
	}
}

// What an experiment lacks though it is at its closing size.
func TestColoursThatDoNotVary(t *testing.T) {
	s := newShelf()
	onMordant := mordants(s, "alum", "iron")
	waters, mill, tap := wells(s, 6)
	b := newBook("ash")
	for range 6 {
		onMordants(b, onMordant, []string{"weld", "madder"}, "alum", "iron")
		dyed(b, waters, 6, mill, tap)
	}
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilGroups(func(r *comparev1.CompareGroupsResponse) { r.Place, r.Spread, r.Pairs, r.Distances = nil, nil, nil, nil })
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		proto.Reset(r)
		r.Verdict, r.Statement, r.Seed = comparev1.WatersVerdict_WATERS_VERDICT_NOT_ENOUGH_YET, "the colours do not vary", 1
	})
	for id, by := range map[trial.ID]pool.Question{onMordant: byMordant, waters: byWater} {
		missing := wanting(t, h.planned(t, by, id).ProtoReflect())
		assert.Contains(t, missing, "colours that differ at all: every reading is the same, as of an instrument that saw no piece")
		spoken(t, missing)
	}
}

// What nothing joins is told by its name.
func TestWhatStandsApart(t *testing.T) {
	s := newShelf()
	waters, mill, tap := wells(s, 6)
	b := newBook("ash")
	dyed(b, "", 6, mill, tap)
	for range 6 {
		dyed(b, waters, 6, mill, tap)
	}
	onMordants(b, "", []string{"weld", "madder"}, "alum", "iron", "tin")
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilWaters(func(r *comparev1.CompareWatersResponse) {
		r.Verdict, r.Apart, r.P, r.Arrangements = comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER, []uint32{1}, nil, 0
	})
	for _, c := range []struct {
		q    pool.Question
		want string
	}{
		{byWater, "sessions of one member in several of these waters, on one recipe, or of all in a common one"},
		{pool.Question{GroupBy: byWater.GroupBy, ExperimentID: waters}, "sessions of one member in several of these waters, on one recipe, or of all in a common one"},
		{byMordant, "at least 1 session that holds iron and tin beside alum, of pieces that are otherwise alike"},
	} {
		if c.q.GroupBy == byMordant.GroupBy {
			h.modules.SpoilGroups(func(r *comparev1.CompareGroupsResponse) { r.Apart, r.Place, r.Spread = []uint32{1, 2}, nil, nil })
		}
		missing := wanting(t, h.ask(t, c.q).ProtoReflect())
		assert.Contains(t, missing, c.want)
		spoken(t, missing)
	}
}

// What the compare module says in general of an effect is told of the two dyes, with an experiment and without.
func TestAnEffectSaysWhatIsMissing(t *testing.T) {
	s := newShelf()
	id := experiment(s, 8)
	b := newBook("ash")
	for range 2 {
		orderSession(b, id, "weld")
	}
	s.put(b.Trial)
	h := open(t, s)
	h.modules.SpoilEffect(func(r *comparev1.MeasureOrderEffectResponse) {
		r.Missing = []string{"more sessions holding both orders"}
	})
	for want, q := range map[string]pool.Question{
		"4 more sessions with indigo and weld in both orders": byOrder,
		"6 more sessions with weld and indigo in both orders": {GroupBy: byOrder.GroupBy, ExperimentID: id},
	} {
		pair := h.ask(t, q).GetPairs()[0]
		assert.Equal(t, []string{want}, pair.GetEffect().GetMissing())
	}
}

// A prediction that isn't enough yet passes on what the module lacks.
func TestAPredictionSaysWhatIsMissing(t *testing.T) {
	s, _, ids := overdyeShelf(2)
	h := open(t, s)
	h.modules.SpoilOverdye(func(r *overdyev1.PredictOverdyeResponse) {
		r.Missing = []*overdyev1.Missing{{What: "trials", Count: 2, Text: "2 more trials with weld first and indigo second on wool"}}
	})
	answer, err := h.pool.PredictOverdye(t.Context(), pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[0]["weld"], SecondDye: "indigo", MinimumRevision: h.Revision()})
	require.NoError(t, err)
	assert.Equal(t, []string{"2 more trials with weld first and indigo second on wool"}, wanting(t, answer.ProtoReflect()))
}
