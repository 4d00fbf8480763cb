package verify

import (
	"context"
	"errors"
	"time"

	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// loadWithin is far more than a pool of a million readings takes.
const loadWithin = 10 * time.Minute

// poolFromScratch loads a pool of the store as a starting core does.
func poolFromScratch(ctx context.Context, records pool.Reader, revision int64) (rows int, checksum string, err error) {
	// A pool tries again to load what failed. The store doesn't change here, so that would never end without a limit.
	ctx, stop := context.WithTimeout(ctx, loadWithin)
	defer stop()
	feed := stillFeed{revision: revision, loaded: make(chan struct{})}
	shared := pool.New(pool.Config{Reader: records, Feed: feed, Decode: record.DecodeTrial})
	ended := make(chan struct{})
	go func() { shared.Run(ctx); close(ended) }()
	select {
	case <-feed.loaded:
	case <-ctx.Done():
	}
	status, checksum := shared.Checksum()
	stop()
	<-ended
	if checksum == "" {
		return 0, "", errors.Join(errors.New("the pool could not be loaded"), ctx.Err())
	}
	return status.Rows, checksum, nil
}

// stillFeed is the feed of a store that doesn't change. A pool waits on its feed once it has loaded, which closes loaded.
type stillFeed struct {
	revision int64
	loaded   chan struct{}
}

func (f stillFeed) Revision() int64 { return f.revision }

func (f stillFeed) Changes(context.Context, int64, int) ([]trial.Change, error) { return nil, nil }

func (f stillFeed) WaitForChange(ctx context.Context, _ int64) error {
	close(f.loaded)
	<-ctx.Done()
	return ctx.Err()
}
