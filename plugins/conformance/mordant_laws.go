package conformance

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
)

// What a mordant module answers from is its own; the laws hold whatever its tables say.

// randomMordants asks for one to four fibres and one or two dyestuffs, on water that may be known, with a shift or without.
func randomMordants(r *rand.Rand) *mordantv1.SelectMordantsRequest {
	pick := func(from []string, most int) []string {
		from = slices.Clone(from)
		r.Shuffle(len(from), func(i, j int) { from[i], from[j] = from[j], from[i] })
		return from[:1+r.IntN(most)]
	}
	req := &mordantv1.SelectMordantsRequest{Fibres: pick(mordantFibres, 4)}
	for _, name := range pick(mordantDyes, 2) {
		req.Dyestuffs = append(req.Dyestuffs, &mordantv1.Dyestuff{Name: name})
	}
	if r.IntN(2) == 0 {
		req.Shift = "darker"
	}
	if r.IntN(2) == 0 {
		req.HardnessMgPerL = proto.Float64(400 * r.Float64())
	}
	return req
}

// refusedNeverChosen: a material that was chosen is refused, and then it is in no choice.
func refusedNeverChosen(r *rand.Rand, _ *module, _ int) trial {
	req := randomMordants(r)
	refused := ""
	return trial{
		first: question{req},
		then: func(first reply) question {
			materials := slices.Concat(slices.Collect(maps.Values(chosen(first)))...)
			slices.Sort(materials)
			if len(materials) == 0 {
				return nil
			}
			refused = materials[r.IntN(len(materials))]
			again := proto.CloneOf(req)
			again.Refused = []string{refused}
			return question{again}
		},
		compare: func(_, second reply) (out []comparison) {
			if second == nil {
				return nil // nothing was chosen
			}
			for _, fibre := range req.GetFibres() {
				times := 0
				for _, m := range chosen(second)[fibre] {
					if m == refused {
						times++
					}
				}
				out = append(out, comparison{at: fmt.Sprintf("times that %s is chosen for %s", refused, fibre), want: value(0), got: value(float64(times))})
			}
			return out
		},
	}
}

// chosen are the materials of all choices of each fibre.
func chosen(a reply) map[string][]string {
	out := map[string][]string{}
	for _, f := range a[0].(*mordantv1.SelectMordantsResponse).GetFibres() {
		for _, c := range f.GetChoices() {
			for _, s := range c.GetSteps() {
				out[f.GetFibre()] = append(out[f.GetFibre()], s.GetMaterial().GetMaterial())
				for _, w := range s.GetWith() {
					out[f.GetFibre()] = append(out[f.GetFibre()], w.GetMaterial())
				}
			}
		}
	}
	return out
}

// unknownIsAsked: of a dyestuff that nobody knows something is asked, and nothing is chosen; told one of the classes that were offered, the module asks no
// more about it.
func unknownIsAsked(r *rand.Rand, _ *module, size int) trial {
	req := randomMordants(r)
	unknown := req.GetDyestuffs()[r.IntN(len(req.GetDyestuffs()))]
	unknown.Name = fmt.Sprintf("no such dyestuff %d", size)
	about := func(a reply) *mordantv1.Question {
		asked := a[0].(*mordantv1.SelectMordantsResponse).GetQuestions()
		if at := slices.IndexFunc(asked, func(q *mordantv1.Question) bool { return strings.Contains(q.GetAbout(), unknown.GetName()) }); at >= 0 {
			return asked[at]
		}
		return nil
	}
	one := func(is bool) *float64 {
		if is {
			return value(1)
		}
		return value(0)
	}
	return trial{
		first: question{proto.CloneOf(req)},
		then: func(first reply) question {
			classes := about(first).GetChoices()
			if len(classes) == 0 {
				return nil
			}
			unknown.DyeClass = classes[r.IntN(len(classes))]
			return question{req}
		},
		compare: func(first, second reply) []comparison {
			out := []comparison{
				{at: "questions about " + unknown.GetName(), want: value(1), got: one(about(first) != nil)},
				{at: "materials chosen before it is known what " + unknown.GetName() + " is", want: value(0), got: one(len(chosen(first)) > 0)},
			}
			if second != nil {
				out = append(out, comparison{at: fmt.Sprintf("questions about %s, told as %s", unknown.GetName(), unknown.GetDyeClass()), want: value(0), got: one(about(second) != nil)})
			}
			return out
		},
	}
}

// mordantsInAnotherOrder: the order of fibres, of what is at hand and of what is refused means nothing. That of dyestuffs does. Of half of the questions the dyestuffs
// are unknown, so that something is asked back.
func mordantsInAnotherOrder(r *rand.Rand, _ *module, size int) trial {
	req := randomMordants(r)
	if r.IntN(2) == 0 {
		for i, d := range req.GetDyestuffs() {
			d.Name = fmt.Sprintf("no such dyestuff %d-%d", size, i+1)
		}
	}
	req.Store, req.StoreTold = slices.Clone(mordantStore), r.IntN(2) == 0
	if !req.GetStoreTold() {
		req.Store = nil
	}
	req.Refused = []string{"stannous chloride", "potassium dichromate", "copper sulfate"}
	again := proto.CloneOf(req)
	for _, list := range [][]string{again.Fibres, again.Store, again.Refused} {
		r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	}
	return trial{first: question{req}, second: question{again}, compare: func(a, b reply) []comparison {
		first, second := a[0].(*mordantv1.SelectMordantsResponse), b[0].(*mordantv1.SelectMordantsResponse)
		out := []comparison{
			{at: "ceiling_c", want: value(first.GetCeilingC()), got: value(second.GetCeilingC())},
			{at: "how much is asked back", want: value(float64(len(first.GetQuestions()))), got: value(float64(len(second.GetQuestions())))},
			{at: "how much is remarked", want: value(float64(len(first.GetRemarks()))), got: value(float64(len(second.GetRemarks())))},
		}
		for _, f := range first.GetFibres() {
			out = append(out, comparison{at: "answers for " + f.GetFibre() + " that are as they were", want: value(1), got: isAmong(f, second.GetFibres())})
		}
		for _, q := range first.GetQuestions() {
			out = append(out, comparison{at: "questions about " + q.GetAbout() + " that are as they were", want: value(1), got: isAmong(q, second.GetQuestions())})
		}
		for _, m := range first.GetRemarks() {
			out = append(out, comparison{at: "remarks that are as they were, of: " + short(m.GetText(), 80), want: value(1), got: isAmong(m, second.GetRemarks())})
		}
		return out
	}}
}

// isAmong is 1 where an equal message is in the list, else 0.
func isAmong[M proto.Message](one M, list []M) *float64 {
	if slices.ContainsFunc(list, func(other M) bool { return bytes.Equal(encoded(one), encoded(other)) }) {
		return value(1)
	}
	return value(0)
}
