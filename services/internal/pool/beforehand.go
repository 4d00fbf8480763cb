package pool

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// DefaultBeforehandFrom is from how many pieces their colours are computed before anybody asks: of fewer, the first question takes some tenths of a second for them.
const DefaultBeforehandFrom = 10_000

const (
	// chunksBeforehand are taken at a time, with the reading module that answers then.
	chunksBeforehand = 500
	// moduleEvery is how often it is looked which reading module answers: modules start beside the pool, and another may be brought into service.
	moduleEvery = time.Second
	// giveWayFor is how long other conditions wait at a time while a question is being answered.
	giveWayFor = 20 * time.Millisecond
)

// conditionsBeforehand are those that every reading module has (reading.proto): the usual one first, and then the others together, since to read what was measured takes
// longer than to compute its colour under one more.
var conditionsBeforehand = [][]trial.ColourCondition{
	{DefaultCondition},
	{{Illuminant: trial.IlluminantD65, Observer: trial.Observer2}, {Illuminant: trial.IlluminantA, Observer: trial.Observer10}},
}

// errOtherModule: another reading module answers since.
var errOtherModule = errors.New("another reading module answers")

// keepBeforehand computes the colours of a large pool when it was loaded and when another reading module comes to answer: of a million readings that takes longer than all
// else that a question does. A question that comes meanwhile does its part of it. What fails is left to the questions.
func (p *Pool) keepBeforehand(ctx context.Context) {
	computed := "" // the digest of the module that did it last
	for ctx.Err() == nil {
		now, digest := p.snapshot(), p.readingDigest()
		if now.rows >= p.beforehandFrom && digest != "" && digest != computed {
			computed = digest
			for _, c := range now.ordered() {
				c.colours.forget(digest)
			}
			begun := time.Now()
			switch pieces, err := p.computeAll(ctx, now, digest); {
			case ctx.Err() != nil:
			case errors.Is(err, errOtherModule):
				computed = "" // for it may come back
				continue
			case err != nil:
				p.log.WarnContext(ctx, "colours weren't computed beforehand; questions do it", "error", err)
			default:
				p.log.InfoContext(ctx, "colours computed beforehand", "pieces", pieces, "took", time.Since(begun).Round(time.Millisecond))
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(moduleEvery):
		}
	}
}

// readingDigest is that of the reading module that answers, or "".
func (p *Pool) readingDigest() string {
	module, err := p.pipeline.OpenReading()
	if err != nil {
		return ""
	}
	defer module.Close()
	return module.Identity().GetDigest()
}

// computeAll computes what is lacking by the module with the digest, as long as that one answers, and tells of how many pieces. Conditions other than the usual one
// give way to questions: there is memory for one of both at full speed.
func (p *Pool) computeAll(ctx context.Context, now *snapshot, digest string) (pieces int, err error) {
	for _, conditions := range conditionsBeforehand {
		pages := &rawPages{pool: p}
		for chunks := range slices.Chunk(now.ordered(), chunksBeforehand) {
			for conditions[0] != DefaultCondition && p.asking.Load() > 0 && ctx.Err() == nil {
				time.Sleep(giveWayFor)
				if other := p.readingDigest(); other != "" && other != digest { // its usual condition gives way to nobody
					return pieces, errOtherModule
				}
			}
			took, err := p.computeChunks(ctx, now, digest, conditions, chunks, pages)
			if err != nil {
				return pieces, err
			}
			if conditions[0] == DefaultCondition {
				pieces += took
			}
		}
	}
	return pieces, nil
}

// computeChunks is computeAll of some chunks under some conditions; it gives the pieces of the first.
func (p *Pool) computeChunks(ctx context.Context, now *snapshot, digest string, conditions []trial.ColourCondition, chunks []*chunk, pages *rawPages) (pieces int, err error) {
	module, err := p.pipeline.OpenReading()
	if err != nil {
		return 0, err
	}
	defer module.Close()
	if module.Identity().GetDigest() != digest {
		return 0, errOtherModule
	}
	var of []lacking
	for i, condition := range conditions {
		all := selection{condition: condition, keep: func(*chunk, *row) bool { return true }}
		candidates, _ := all.candidates(now, chunks, newLeftOut(), now.rows)
		of = append(of, lackingTrials(condition, digest, candidates)...)
		if i == 0 {
			pieces = len(candidates)
		}
	}
	slices.SortStableFunc(of, func(a, b lacking) int { return cmp.Compare(a.trial(), b.trial()) })
	_, err = p.compute(ctx, module, of, pages.rawOf)
	return pieces, err
}
