package pool

import (
	"context"
	"time"
)

// DefaultBeforehandFrom is from how many pieces their colours are computed before anybody asks: of fewer, the first question takes some tenths of a second for them.
const DefaultBeforehandFrom = 10_000

const (
	// chunksBeforehand are taken at a time, so that a question finds room beside them.
	chunksBeforehand = 500
	// moduleTries is how often, a second apart, the reading module is looked for: modules start beside the pool.
	moduleTries = 30
)

// computeBeforehand computes the colours of the usual condition for a pool that was loaded just now: of a million readings that takes longer than all else that a
// question does. A question about most of them waits for it, as it would else compute the same. What fails is left to the questions.
func (p *Pool) computeBeforehand(ctx context.Context) {
	defer close(p.beforehand)
	now := p.snapshot()
	if now == nil || now.rows < p.beforehandFrom {
		return
	}
	begun := time.Now()
	pieces, err := p.computeAll(ctx, now)
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		p.log.WarnContext(ctx, "colours weren't computed beforehand; the first question does it", "error", err)
		return
	}
	p.log.InfoContext(ctx, "colours computed beforehand", "condition", conditionWords(DefaultCondition), "pieces", pieces, "took", time.Since(begun).Round(time.Millisecond))
}

// computeAll computes what is lacking of the usual condition, and tells for how many pieces.
func (p *Pool) computeAll(ctx context.Context, now *snapshot) (pieces int, err error) {
	module, err := p.pipeline.OpenReading()
	for try := 1; err != nil && try < moduleTries; try++ {
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(time.Second):
		}
		module, err = p.pipeline.OpenReading()
	}
	if err != nil {
		return 0, err
	}
	defer module.Close()
	all := selection{condition: DefaultCondition, keep: func(*chunk, *row) bool { return true }}
	pages := &rawPages{pool: p}
	for chunks := now.ordered(); len(chunks) > 0; {
		n := min(len(chunks), chunksBeforehand)
		candidates, _ := all.candidates(now, chunks[:n], newLeftOut(), now.rows)
		lacking := lackingTrials(DefaultCondition, module.Identity().GetDigest(), candidates)
		if err := p.compute(ctx, module, DefaultCondition, lacking, pages.rawOf); err != nil {
			return pieces, err
		}
		pieces += len(candidates)
		chunks = chunks[n:]
	}
	return pieces, nil
}

// waitBeforehand waits until colours are no longer computed beforehand.
func (p *Pool) waitBeforehand(ctx context.Context) error {
	select {
	case <-p.beforehand:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
