package pool

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// DefaultMaxAnswerBytes is how long an answer may be: what clients of ours take in one message, less room for the question that goes back with it.
const DefaultMaxAnswerBytes = 16<<20 - QuestionBytes

// QuestionBytes is more than any question takes; its filter has 2,000 characters at the most.
const QuestionBytes = 16 << 10

// checkLength refuses a question whose answer is sure to be too long, before the palette module works on it: each group has a line in each of its strata, and
// each two whose group is stated have one where a stratum holds two cells of both. At an equal number that was asked for it takes so many, so those
// aren't counted. It looks at the context now and then: 200 groups that meet in 5,000 strata are 100 million pairs to look up.
func (p *Pool) checkLength(ctx context.Context, a *asking, stated map[string]bool) error {
	type palette struct{ stratum, group label }
	alone := map[palette]*pick{}       // the first of each palette, nil where it has several cells
	several := map[label][]label{}     // groups with several cells, by stratum
	bytes, words := 0, map[label]int{} // words of each group in a pair
	for _, x := range a.picks {
		at := palette{x.stratum, x.group}
		first, known := alone[at]
		switch {
		case !known:
			alone[at] = x
			bytes += framed(&poolv1.GroupAnswer{Group: a.texts.text(x.group), Stratum: a.shown[a.texts.text(x.stratum)], Pieces: 1, Cells: 1, ShadesAtLeast: 1, ShadesAtMost: 1})
			text := a.texts.text(x.group)
			words[x.group] = len(text) + len(said(a.question.GroupBy, text))
		case first != nil && (first.block != x.block || first.cell != x.cell):
			alone[at] = nil
			if stated[a.texts.text(x.group)] {
				several[x.stratum] = append(several[x.stratum], x.group)
			}
		}
	}
	n := len(words)
	refuse := func() error {
		return fmt.Errorf("%w: its answer is about %d groups in %d palettes and takes at least %d bytes; allowed: 0 to %d, so ask for fewer with a filter", pipeline.ErrTooLarge, n, len(alone), bytes, p.maxAnswer)
	}
	if bytes > p.maxAnswer {
		return refuse()
	}
	if a.question.EqualNumber > 0 {
		return nil
	}
	sentence := framed(&poolv1.PairAnswer{Standing: poolv1.Standing_STANDING_EXPLORATORY, Strata: 1, CellsFirst: 2, CellsSecond: 2, Statement: exploratory + " spread wider than  (ratio 1.00 over 1 yarn)"})
	all := 0
	for _, own := range words {
		all += own * (n - 1)
	}
	if bytes+all+n*(n-1)/2*sentence <= p.maxAnswer { // as long as it would be if all met
		return nil
	}
	met := map[[2]label]bool{}
	for _, groups := range several {
		for i, x := range groups { // at most so many looks as a question may have groups
			if err := ctx.Err(); err != nil {
				return err
			}
			for _, y := range groups[:i] {
				pair := [2]label{min(x, y), max(x, y)}
				if met[pair] || mayBeSame(a.texts.text(x), a.texts.text(y)) {
					continue
				}
				met[pair] = true
				if bytes += sentence + words[x] + words[y]; bytes > p.maxAnswer {
					return refuse()
				}
			}
		}
	}
	return nil
}

// framed is the size of a message in a list.
func framed(m proto.Message) int { return 2 + proto.Size(m) }

// checkAnswer refuses an answer that is too long after all.
func (p *Pool) checkAnswer(answer *poolv1.AskPaletteResponse) error {
	if size := proto.Size(answer); size > p.maxAnswer {
		return fmt.Errorf("%w: its answer takes %d bytes, with %d palettes and %d pairs of groups; allowed: 0 to %d, so ask for fewer with a filter",
			pipeline.ErrTooLarge, size, len(answer.GetGroups()), len(answer.GetPairs()), p.maxAnswer)
	}
	return nil
}
