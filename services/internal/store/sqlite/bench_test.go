package sqlite

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const benchCallers = 64

// BenchmarkSubmit is a durable submit of one trial by one of 64 callers, with its request id and its answer encoded.
func BenchmarkSubmit(b *testing.B) {
	for _, size := range []struct {
		name string
		make func() *storetest.Sample
	}{
		{"entries=1", func() *storetest.Sample {
			sample := storetest.NewSmallSample("ann")
			sample.Trial.Looks = []trial.Look{{Entry: trial.Entry{ID: storetest.NewID()}, Text: "even"}}
			return sample
		}},
		{"entries=25", func() *storetest.Sample { return storetest.NewSample("ann") }},
	} {
		b.Run(size.name, func(b *testing.B) {
			s := openIn(b, b.TempDir(), Config{CacheBytes: DefaultCacheBytes})
			storetest.AddMembers(b, s)
			samples := make([]*storetest.Sample, b.N)
			for i := range samples {
				samples[i] = size.make()
			}
			b.ResetTimer()
			each(b, func(i int) error {
				_, err := s.Change(context.Background(), store.ChangeRequest{
					Actor: storetest.By("ann"), RequestID: storetest.NewID(), Now: time.Now(),
					Apply: func(r trial.Records) ([]byte, error) {
						if err := samples[i].Put(r); err != nil {
							return nil, err
						}
						return record.EncodeTrial(samples[i].Trial)
					},
				})
				return err
			})
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "submits/s")
			require.NoError(b, s.Close())
		})
	}
}

// each calls do for 0 to b.N-1 from 64 goroutines.
func each(b *testing.B, do func(i int) error) {
	var next atomic.Int64
	var callers sync.WaitGroup
	for range benchCallers {
		callers.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= b.N {
					return
				}
				if err := do(i); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	callers.Wait()
}

// BenchmarkAddLook is a read, a change and a put of a trial of 25 entries.
func BenchmarkAddLook(b *testing.B) {
	s := openIn(b, b.TempDir(), Config{CacheBytes: DefaultCacheBytes})
	storetest.AddMembers(b, s)
	var ids []trial.ID
	for range benchCallers {
		sample := storetest.NewSample("ann")
		ids = append(ids, sample.Trial.ID)
		require.NoError(b, submitTo(s, sample))
	}
	b.ResetTimer()
	each(b, func(i int) error {
		_, err := s.Change(context.Background(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
			t, err := r.Trial(ids[i%len(ids)])
			if err != nil {
				return nil, err
			}
			t.Looks = append(t.Looks[:min(len(t.Looks), 20)], trial.Look{Entry: trial.Entry{ID: storetest.NewID()}, Text: "even"})
			return nil, r.PutTrial(t, trial.Changed)
		}})
		return err
	})
	b.StopTimer()
	require.NoError(b, s.Close())
}

func submitTo(s *Store, sample *storetest.Sample) error {
	_, err := s.Change(context.Background(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
		return nil, sample.Put(r)
	}})
	return err
}

// BenchmarkTrialRow is a read of one trial of 25 entries, by 64 callers.
func BenchmarkTrialRow(b *testing.B) {
	for name, cache := range map[string]int{"uncached": 0, "cached": DefaultCacheBytes} {
		b.Run(name, func(b *testing.B) {
			s := openIn(b, b.TempDir(), Config{CacheBytes: cache})
			storetest.AddMembers(b, s)
			var ids []trial.ID
			for range 200 {
				sample := storetest.NewSample("ann")
				ids = append(ids, sample.Trial.ID)
				require.NoError(b, submitTo(s, sample))
			}
			ctx, cancel := context.WithCancel(context.Background()) // as a call's context can be ended
			defer cancel()
			b.ResetTimer()
			each(b, func(i int) error {
				_, err := s.TrialRow(ctx, ids[i%len(ids)])
				return err
			})
			b.StopTimer()
			require.NoError(b, s.Close())
		})
	}
}
