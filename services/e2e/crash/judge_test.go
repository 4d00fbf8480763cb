package crash

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// What the judge and the checkers let pass after a kill, they must not let pass when it is spoilt in one place.
func TestJudgeBites(t *testing.T) {
	h := newHarness(t, core, shortFolder(t), 11)
	require.NoError(t, h.Lab.Start())
	w := newHand(t, h)
	for range 400 {
		w.write()
	}
	require.NoError(t, h.Lab.Stop())
	require.NoError(t, h.decodeNew())
	state, found, err := h.examine(t.Context())
	require.NoError(t, err)
	require.Empty(t, found, "%s", shorten(found))

	someTrial := func(s *State, suits func(*labv1.Trial) bool) *labv1.Trial {
		for _, one := range s.Trials {
			if one.GetImportSource() == "" && suits(one) {
				return one
			}
		}
		t.Fatal("there is no such trial")
		return nil
	}
	someBath := func(s *State, suits func(*labv1.Bath) bool) *labv1.Bath {
		for id := range updatedBaths(h.writes) {
			if b := s.Baths[id]; b != nil && suits(b) {
				return b
			}
		}
		t.Fatal("there is no such bath")
		return nil
	}
	anyTrial := func(*labv1.Trial) bool { return true }
	anyBath := func(*labv1.Bath) bool { return true }
	for _, test := range []struct {
		name  string
		kind  Kind
		spoil func(*State)
	}{
		{"a title of before", Lost, func(s *State) { someTrial(s, anyTrial).Title = "before" }},
		{"a deletion undone", Lost, func(s *State) {
			someTrial(s, func(t *labv1.Trial) bool { return t.GetDeleteTime() != nil }).DeleteTime = nil
		}},
		{"a deletion that nobody asked for", Lost, func(s *State) {
			someTrial(s, func(t *labv1.Trial) bool { return t.GetDeleteTime() == nil }).DeleteTime = timestamppb.Now()
		}},
		{"a bath's label of before", Lost, func(s *State) { someBath(s, anyBath).Label = "before" }},
		{"a bath's liquor lost", Lost, func(s *State) {
			someBath(s, func(b *labv1.Bath) bool { return b.GetLiquor() != nil }).Liquor = nil
		}},
		{"a fibre lot of before", Lost, func(s *State) {
			someTrial(s, func(t *labv1.Trial) bool { return t.GetPieces()[0].GetOrigin() == nil }).GetPieces()[0].GetFibre().Lot = "before"
		}},
		{"a correction of a label lost", Lost, func(s *State) {
			for _, p := range someTrial(s, func(t *labv1.Trial) bool { return labelled(t) != nil }).GetPieces() {
				p.Label = ""
			}
		}},
		{"a water that a route doesn't have", RouteWrong, func(s *State) {
			p := someTrial(s, func(t *labv1.Trial) bool { return withWater(t) != nil })
			withWater(p).Water = ""
		}},
		{"a part of another fibre", RouteWrong, func(s *State) {
			p := someTrial(s, func(t *labv1.Trial) bool { return part(t) != nil })
			part(p).Fibre = wool()
			part(p).Fibre.Lot = "another"
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			spoilt := state.clone()
			test.spoil(spoilt)
			found := append(judge(spoilt, h.writes).found, Routes{}.Check(spoilt)...)
			require.NotEmpty(t, found)
			assert.Equal(t, test.kind, found[0].Kind, "%s", shorten(found))
		})
	}
}

// What the history tells of a write is compared in each of its fields.
func TestHistoryIsCompared(t *testing.T) {
	c := changeBy(&labv1.UpdateTrialRequest{Trial: &labv1.Trial{Id: "t"}, Reason: "a slip"})
	d := &decoded{Write: &Write{Member: "ash", Fate: Acknowledged}, answer: &labv1.Trial{Etag: "e"}}
	right := &labv1.Version{ByMember: "ash", Kind: changed, Reason: "a slip", Etag: "e"}
	assert.Empty(t, c.compare(d, right))
	for what, spoil := range map[string]func(*labv1.Version){
		"member": func(v *labv1.Version) { v.ByMember = "elm" }, "kind": func(v *labv1.Version) { v.Kind = deleted },
		"reason": func(v *labv1.Version) { v.Reason = "" }, "etag": func(v *labv1.Version) { v.Etag = "f" },
	} {
		wrong := proto.CloneOf(right)
		spoil(wrong)
		assert.NotEmpty(t, c.compare(d, wrong), what)
	}
}

func updatedBaths(writes []*decoded) map[string]bool {
	ids := map[string]bool{}
	for _, d := range writes {
		if r, ok := d.request.(*labv1.UpdateBathRequest); ok && d.Fate == Acknowledged {
			ids[r.GetBath().GetId()] = true
		}
	}
	return ids
}

func labelled(t *labv1.Trial) *labv1.Piece {
	for _, p := range t.GetPieces() {
		if p.GetLabel() != "" {
			return p
		}
	}
	return nil
}

func withWater(t *labv1.Trial) *labv1.Layer {
	for _, p := range t.GetPieces() {
		for _, l := range p.GetRoute().GetLayers() {
			if l.GetWater() != "" {
				return l
			}
		}
	}
	return nil
}

func part(t *labv1.Trial) *labv1.Piece {
	for _, p := range t.GetPieces() {
		if p.GetOrigin() != nil {
			return p
		}
	}
	return nil
}

// clone is a state whose records may be changed.
func (s *State) clone() *State {
	c := *s
	c.Trials, c.Baths = map[string]*labv1.Trial{}, map[string]*labv1.Bath{}
	for id, t := range s.Trials {
		c.Trials[id] = proto.CloneOf(t)
	}
	for id, b := range s.Baths {
		c.Baths[id] = proto.CloneOf(b)
	}
	return &c
}
