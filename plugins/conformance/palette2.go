package conformance

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

func paletteV2() *contract {
	law := func(f tableMaker) lawTrial { return tableLaw(askScores, scoreFigures, f) }
	return &contract{
		name: "commonvat.module.palette.v2", kind: sdk.KindPalette,
		method: palettev2.PaletteService_ScorePalettes_FullMethodName, clientStream: true, serverStream: true,
		newReply: func() proto.Message { return &palettev2.ScorePalettesResponse{} },
		prepare: func(_ context.Context, m *module) error {
			if len(m.d.GetScores()) == 0 {
				return errors.New("it describes no scores, of which this contract wants at least one")
			}
			return nil
		},
		plain: func(r *rand.Rand, m *module) []question {
			few := tableOf(r, shape{2, 2, 1, 2, 1})
			many := tableOf(r, shape{3, 3, 2, 3, 2})
			return []question{
				askScores(m, few),
				askScores(m, tableOf(r, shape{1, 1, 1, 1, 1})),
				relabelled(askScores(m, many), relabellings(r, many, 3)),
			}
		},
		largest: func(m *module) question {
			r := m.random("largest")
			t := bulk(r)
			return relabelled(askScores(m, t), relabellings(r, t, 200))
		},
		tooBig: func(m *module) question {
			return askScores(m, oversized(tableOf(m.random("too big"), shape{1, 1, 1, 2, 1}), sdk.MaxMessageBytes))
		},
		beyond: func(m *module) []refusal {
			small := tableOf(m.random("beyond"), shape{1, 1, 1, 2, 1})
			many := askScores(m, small)
			scoresHeader(many).RelabellingCount = 100_001
			return []refusal{
				{"a chunk takes more than 1 MiB", askScores(m, oversized(small, 1<<20)), []string{"columns", "colours"}},
				{"relabelling_count is 100,001", many, []string{"relabelling_count"}},
			}
		},
		empty: func(*module) []refusal {
			header := &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{}}}
			return []refusal{
				{"the stream is empty", question{}, []string{"header"}},
				{"the only message is empty", question{&palettev2.ScorePalettesRequest{}}, []string{"header"}},
				{"the header is empty", question{header}, []string{"condition", "labels"}},
			}
		},
		invalid: invalidScores,
		sound:   soundScores,
		items: func(d *describev1.DescribeResponse) []string {
			var out []string
			for _, s := range d.GetScores() {
				out = append(out, s.GetName())
			}
			return out
		},
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_MONOTONE:         law(enlarged(smallTable)),
			describev1.Law_LAW_SHIFT_INVARIANT:  law(shifted(smallTable)),
			describev1.Law_LAW_LINEAR:           law(multiplied(smallTable)),
			describev1.Law_LAW_ORDER_FREE:       law(ordered(smallTable, false, false)),
			describev1.Law_LAW_REPLICATION_FREE: law(replicated(smallTable)),
		},
		expected: []describev1.Law{describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REPLICATION_FREE},
		extra: []extraStep{
			{"relabellings", "score a relabelling as it scores the same rows with those groups", relabellingsHold},
			{"scores asked for", "answer with the scores that were asked for, in that order", scoresAskedFor},
			{"default parameters", "answer the same when each parameter is set to its default", defaultsHold},
		},
	}
}

func scoresHeader(q question) *palettev2.ScoresHeader {
	return q[0].(*palettev2.ScorePalettesRequest).GetHeader()
}

func columnsPart(c *palettev2.ScoredColumns) proto.Message {
	return &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: c}}
}

// askScores asks for all scores, and sends the further columns that the module wants.
func askScores(m *module, t table) question {
	return scoresQuestion(m, t, &palettev2.ScoresHeader{Condition: daylight(), Labels: t.labels(), RowCount: int64(len(t.rows)), Seed: 7}, t.chunks())
}

func scoresQuestion(m *module, t table, h *palettev2.ScoresHeader, chunks []*columnsv1.ColourColumns) question {
	q := question{&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: h}}}
	next := 0
	for _, c := range chunks {
		part := &palettev2.ScoredColumns{Colours: c}
		rows := t.rows[next:min(next+rowsPerChunk, len(t.rows))]
		next += len(rows)
		if slices.Contains(m.d.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS) {
			for _, x := range rows {
				part.AgeDays = append(part.AgeDays, x.ageDays)
			}
		}
		if slices.Contains(m.d.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM) {
			part.Spectra = spectra(rows)
		}
		q = append(q, columnsPart(part))
	}
	return q
}

// spectra gives each row a straight curve that rises or falls with b*; it is no spectrum of that colour, which no module may expect.
func spectra(rows []row) *palettev2.SpectrumColumns {
	out := &palettev2.SpectrumColumns{StartNm: 400, StepNm: 20, Count: 16}
	for _, x := range rows {
		out.Known = append(out.Known, !x.noSpectrum)
		if x.noSpectrum {
			continue
		}
		for i := range 16 {
			out.Reflectance = append(out.Reflectance, math.Max(0.01, x.lab.GetL()/150+x.lab.GetB()*(float64(i)-8)/3000))
		}
	}
	return out
}

func relabelled(q question, list []*palettev2.Relabelling) question {
	scoresHeader(q).RelabellingCount = int32(len(list))
	for _, x := range list {
		q = append(q, &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Relabelling{Relabelling: x}})
	}
	return q
}

// relabellings are n of a table: the first as it is, the others with the groups shuffled among the units of the same block, stratum and
// cell. So no two units ever come to one group, block, stratum and cell, of which the contract doesn't say whether they are one cell then.
func relabellings(r *rand.Rand, t table, n int) []*palettev2.Relabelling {
	units := t.units()
	alike := map[unit][]int{}
	var keys []unit
	as := make([]uint32, len(units))
	for i, u := range units {
		as[i] = uint32(u.group)
		u.group = 0
		if alike[u] == nil {
			keys = append(keys, u)
		}
		alike[u] = append(alike[u], i)
	}
	out := make([]*palettev2.Relabelling, n)
	for i := range out {
		groups := slices.Clone(as)
		if i > 0 {
			for _, k := range keys {
				of := alike[k]
				r.Shuffle(len(of), func(a, b int) { groups[of[a]], groups[of[b]] = groups[of[b]], groups[of[a]] })
			}
		}
		out[i] = &palettev2.Relabelling{Group: groups}
	}
	return out
}

func invalidScores(m *module) []refusal {
	r := m.random("invalid")
	base := tableOf(r, shape{2, 2, 1, 2, 1})
	var out []refusal
	header := func(spoil func(*palettev2.ScoresHeader)) question {
		q := askScores(m, base)
		spoil(scoresHeader(q))
		return q
	}
	bad := func(what string, q question, names ...string) { out = append(out, refusal{what, q, names}) }
	out = append(out, badConditions(func(c *typesv1.ColourCondition) question {
		return header(func(h *palettev2.ScoresHeader) { h.Condition = c })
	})...)
	bad("labels are missing", header(func(h *palettev2.ScoresHeader) { h.Labels = nil }), "labels")
	bad("scores names one that isn't described", header(func(h *palettev2.ScoresHeader) { h.Scores = []string{"no_such_score"} }), "scores")
	first := m.d.GetScores()[0].GetName()
	bad("scores names one twice", header(func(h *palettev2.ScoresHeader) { h.Scores = []string{first, first} }), "scores")
	bad("relabelling_count is -1", header(func(h *palettev2.ScoresHeader) { h.RelabellingCount = -1 }), "relabelling_count")
	bad("relabelling_count is 1 and none comes", header(func(h *palettev2.ScoresHeader) { h.RelabellingCount = 1 }), "relabelling_count", "relabelling")
	more := relabelled(askScores(m, base), relabellings(r, base, 2))
	scoresHeader(more).RelabellingCount = 1
	bad("relabelling_count is 1 and two come", more, "relabelling_count", "relabelling")
	short := relabellings(r, base, 1)
	short[0].Group = short[0].Group[1:]
	bad("a relabelling is one unit short", relabelled(askScores(m, base), short), "relabelling", "group")
	strange := relabellings(r, base, 1)
	strange[0].Group[0] = 99
	bad("a relabelling names group 99", relabelled(askScores(m, base), strange), "relabelling", "group")

	set := func(values ...*describev1.ParameterValue) question {
		return header(func(h *palettev2.ScoresHeader) { h.Parameters = values })
	}
	number := func(name string, x float64) *describev1.ParameterValue {
		return &describev1.ParameterValue{Name: name, Value: &describev1.ParameterValue_Number{Number: x}}
	}
	choice := func(name, x string) *describev1.ParameterValue {
		return &describev1.ParameterValue{Name: name, Value: &describev1.ParameterValue_Choice{Choice: x}}
	}
	bad("parameters names one that isn't described", set(number("no_such_parameter", 1)), "parameters", "no_such_parameter")
	for _, p := range m.d.GetParameters() {
		name := p.GetName()
		bad(name+" has no value", set(&describev1.ParameterValue{Name: name}), "parameters", name)
		if n := p.GetNumber(); n != nil {
			bad(name+" is a word", set(choice(name, "wide")), "parameters", name)
			bad(name+" is NaN", set(number(name, math.NaN())), "parameters", name)
			bad(name+" comes twice", set(number(name, n.GetDefaultValue()), number(name, n.GetDefaultValue())), "parameters", name)
			if n.Minimum != nil {
				bad(name+" is below its minimum", set(number(name, math.Nextafter(n.GetMinimum(), math.Inf(-1)))), "parameters", name)
			}
			if n.Maximum != nil {
				bad(name+" is above its maximum", set(number(name, math.Nextafter(n.GetMaximum(), math.Inf(1)))), "parameters", name)
			}
			if n.GetWhole() && (n.Maximum == nil || n.GetDefaultValue()+0.5 <= n.GetMaximum()) {
				bad(name+" is no whole number", set(number(name, n.GetDefaultValue()+0.5)), "parameters", name)
			}
		} else {
			bad(name+" is a number", set(number(name, 1)), "parameters", name)
			bad(name+" is none of its choices", set(choice(name, "no such choice")), "parameters", name)
		}
	}
	out = append(out, columnsWanted(m, base)...)
	out = append(out, streamFaults(askScores(m, base), &palettev2.ScorePalettesRequest{})...)
	return append(out, columnFaults(func(t table, labels *columnsv1.Labels, n int64, chunks []*columnsv1.ColourColumns) question {
		return scoresQuestion(m, t, &palettev2.ScoresHeader{Condition: daylight(), Labels: labels, RowCount: n}, chunks)
	}, base)...)
}

// columnsWanted are faults of the further columns, for a module that wants them.
func columnsWanted(m *module, base table) (out []refusal) {
	bad := func(what string, spoil func(*palettev2.ScoredColumns), names ...string) {
		q := askScores(m, base)
		spoil(q[1].(*palettev2.ScorePalettesRequest).GetColumns())
		out = append(out, refusal{what, q, names})
	}
	if slices.Contains(m.d.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS) {
		bad("age_days is missing", func(c *palettev2.ScoredColumns) { c.AgeDays = nil }, "age_days")
		bad("age_days is one row short", func(c *palettev2.ScoredColumns) { c.AgeDays = c.AgeDays[1:] }, "age_days")
		bad("age_days[0] is -2", func(c *palettev2.ScoredColumns) { c.AgeDays[0] = -2 }, "age_days")
		bad("age_days[0] is 100,001", func(c *palettev2.ScoredColumns) { c.AgeDays[0] = 100_001 }, "age_days")
	}
	if slices.Contains(m.d.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM) {
		bad("spectra are missing", func(c *palettev2.ScoredColumns) { c.Spectra = nil }, "spectra")
		bad("spectra.known is one row short", func(c *palettev2.ScoredColumns) { c.Spectra.Known = c.Spectra.Known[1:] }, "known", "spectra")
		bad("spectra.reflectance is one figure short", func(c *palettev2.ScoredColumns) { c.Spectra.Reflectance = c.Spectra.Reflectance[1:] }, "reflectance", "spectra")
		bad("spectra.reflectance[0] is 2.1", func(c *palettev2.ScoredColumns) { c.Spectra.Reflectance[0] = 2.1 }, "reflectance")
		bad("spectra.start_nm is 200", func(c *palettev2.ScoredColumns) { c.Spectra.StartNm = 200 }, "start_nm")
		bad("spectra.step_nm is 0", func(c *palettev2.ScoredColumns) { c.Spectra.StepNm = 0 }, "step_nm")
		bad("spectra.count is 2", func(c *palettev2.ScoredColumns) { c.Spectra.Count = 2 }, "count", "spectra")
	}
	return out
}

// tableOfScores reads the table of a question back.
func tableOfScores(q question) table {
	return asTable(scoresHeader(q).GetLabels(), func(yield func(*columnsv1.ColourColumns)) {
		for _, m := range q[1:] {
			if c := m.(*palettev2.ScorePalettesRequest).GetColumns(); c != nil {
				yield(c.GetColours())
			}
		}
	})
}

// moved is the table with the groups of a relabelling.
func (t table) moved(x *palettev2.Relabelling) table {
	to := map[unit]int{}
	for i, u := range t.units() {
		to[u] = int(x.GetGroup()[i])
	}
	out := table{t.groups, t.blocks, t.strata, t.cells, slices.Clone(t.rows)}
	for i, x := range out.rows {
		out.rows[i].group = to[unit{x.group, x.block, x.stratum, x.cell}]
	}
	return out
}

func soundScores(m *module, q question, a reply) error {
	h := scoresHeader(q)
	if len(a) != int(h.GetRelabellingCount())+1 {
		return fmt.Errorf("%d messages came, want one for the groups as they are and one for each of %d relabellings", len(a), h.GetRelabellingCount())
	}
	scores := h.GetScores()
	if len(scores) == 0 {
		scores = m.c.items(m.d)
	}
	least := map[string]int{}
	for _, s := range m.d.GetScores() {
		least[s.GetName()] = int(s.GetLeastCells())
	}
	t := tableOfScores(q)
	for i := range a {
		got := a[i].(*palettev2.ScorePalettesResponse)
		if int(got.GetRelabelling()) != i {
			return fmt.Errorf("message %d is of relabelling %d", i, got.GetRelabelling())
		}
		labelling := t
		if i > 0 {
			labelling = t.moved(q[len(q)-len(a)+i].(*palettev2.ScorePalettesRequest).GetRelabelling())
		}
		want := labelling.places()
		if len(got.GetGroups()) != len(want) {
			return fmt.Errorf("relabelling %d: groups has %d answers for %d groups in strata", i, len(got.GetGroups()), len(want))
		}
		for k, g := range got.GetGroups() {
			if p := (place{int(g.GetStratum()), int(g.GetGroup())}); p != want[k] {
				return fmt.Errorf("relabelling %d: groups[%d] is group %d in stratum %d, want group %d in stratum %d", i, k, p.group, p.stratum, want[k].group, want[k].stratum)
			}
			if len(g.GetScores()) != len(scores) {
				return fmt.Errorf("relabelling %d: groups[%d] has %d scores, want %d", i, k, len(g.GetScores()), len(scores))
			}
			for n, s := range g.GetScores() {
				if s.GetNotComputed() != "" && s.GetValue() != 0 {
					return fmt.Errorf("relabelling %d: groups[%d].scores[%d] has a value and a reason why not", i, k, n)
				}
				// Counting every place of every relabelling is not worth its time.
				if i == 0 && s.GetNotComputed() == "" {
					if _, cells, _ := labelling.count(want[k]); cells < least[scores[n]] {
						return fmt.Errorf("groups[%d]: %s is computed from %d cells, below its least_cells of %d", k, scores[n], cells, least[scores[n]])
					}
				}
			}
		}
	}
	return nil
}

func scoresOf(t table, names []string, got *palettev2.ScorePalettesResponse) []comparison {
	var out []comparison
	for _, g := range got.GetGroups() {
		for i, s := range g.GetScores() {
			c := comparison{item: names[i], at: t.at(place{int(g.GetStratum()), int(g.GetGroup())})}
			if s.GetNotComputed() == "" {
				c.want = value(s.GetValue())
			}
			out = append(out, c)
		}
	}
	return out
}

func scoreFigures(m *module, t table, a reply) []comparison {
	return scoresOf(t, m.c.items(m.d), a[0].(*palettev2.ScorePalettesResponse))
}

// agree compares figures that have to be the same but for rounding.
func agree(what string, first, second []comparison) error {
	for _, c := range pairUp(first, second, false) {
		if !c.holds(defaultTolerance) {
			return fmt.Errorf("%s: %s %s is %s, want %s", what, c.item, c.at, figure(c.got, false), figure(c.want, false))
		}
	}
	return nil
}

func relabellingsHold(ctx context.Context, m *module) error {
	r := m.random("relabellings")
	names := m.c.items(m.d)
	for n := range 5 {
		t := smallTable(r, m, 5*n+2)
		list := relabellings(r, t, 3)
		a, err := m.ask(ctx, relabelled(askScores(m, t), list))
		if err != nil {
			return err
		}
		if len(a) != len(list)+1 {
			return fmt.Errorf("%d messages came for %d relabellings", len(a), len(list))
		}
		for i, x := range list {
			moved := t.moved(x)
			alone, err := m.ask(ctx, askScores(m, moved))
			if err != nil {
				return err
			}
			if err := agree(fmt.Sprintf("relabelling %d", i+1), scoresOf(moved, names, alone[0].(*palettev2.ScorePalettesResponse)),
				scoresOf(moved, names, a[i+1].(*palettev2.ScorePalettesResponse))); err != nil {
				return err
			}
		}
	}
	return nil
}

func scoresAskedFor(ctx context.Context, m *module) error {
	t := tableOf(m.random("scores asked for"), shape{2, 2, 1, 4, 1})
	all, err := m.ask(ctx, askScores(m, t))
	if err != nil {
		return err
	}
	names := m.c.items(m.d)
	want := scoreFigures(m, t, all)
	lists := [][]string{names[:1], names[len(names)-1:]}
	reversed := slices.Clone(names)
	slices.Reverse(reversed)
	for _, list := range append(lists, reversed) {
		q := askScores(m, t)
		scoresHeader(q).Scores = list
		a, err := m.ask(ctx, q)
		if err != nil {
			return err
		}
		if err := m.checked(q, a); err != nil {
			return fmt.Errorf("scores %q: %w", list, err)
		}
		asked := slices.DeleteFunc(slices.Clone(want), func(c comparison) bool { return !slices.Contains(list, c.item) })
		if err := agree(fmt.Sprintf("scores %q", list), asked, scoresOf(t, list, a[0].(*palettev2.ScorePalettesResponse))); err != nil {
			return err
		}
	}
	return nil
}

func defaultsHold(ctx context.Context, m *module) error {
	if len(m.d.GetParameters()) == 0 {
		return &outcomeError{NotTried, "it describes no parameters"}
	}
	t := tableOf(m.random("default parameters"), shape{2, 2, 1, 4, 1})
	plain, err := m.ask(ctx, askScores(m, t))
	if err != nil {
		return err
	}
	for _, p := range m.d.GetParameters() {
		set := &describev1.ParameterValue{Name: p.GetName()}
		if n := p.GetNumber(); n != nil {
			set.Value = &describev1.ParameterValue_Number{Number: n.GetDefaultValue()}
		} else {
			set.Value = &describev1.ParameterValue_Choice{Choice: p.GetChoice().GetDefaultValue()}
		}
		q := askScores(m, t)
		scoresHeader(q).Parameters = []*describev1.ParameterValue{set}
		a, err := m.ask(ctx, q)
		if err != nil {
			return err
		}
		if err := m.checked(q, a); err != nil {
			return err
		}
		if err := agree(p.GetName()+" set to its default", scoreFigures(m, t, plain), scoreFigures(m, t, a)); err != nil {
			return err
		}
	}
	return nil
}
