package limits

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

const (
	read     = "/commonvat.lab.v1.TrialService/GetTrial"
	write    = "/commonvat.lab.v1.TrialService/SubmitTrial"
	question = "/commonvat.pool.v1.PoolService/AskPalette"
	watch    = "/commonvat.lab.v1.TrialService/WatchChanges"
	probe    = "/grpc.health.v1.Health/Check"
)

// clock stands until it is put on.
type clock struct{ at time.Time }

func (c *clock) now() time.Time       { return c.at }
func (c *clock) pass(d time.Duration) { c.at = c.at.Add(d) }
func newClock() *clock                { return &clock{time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)} }
func limiter(t *testing.T, c Config) *Limiter {
	t.Helper()
	l, err := New(c)
	require.NoError(t, err)
	return l
}

func refusal(t *testing.T, err error, kind error) *Refusal {
	t.Helper()
	require.ErrorIs(t, err, kind)
	var r *Refusal
	require.ErrorAs(t, err, &r)
	return r
}

// The delay that a refusal tells is the one after which the call is let in, and no sooner.
func TestRefusalTellsAnHonestDelay(t *testing.T) {
	at := newClock()
	l := limiter(t, Config{Rates: map[Class]Rate{Read: {PerSecond: 4, Burst: 3}}, Now: at.now})
	for range 3 {
		_, err := l.Begin("ash", read)
		require.NoError(t, err)
	}
	for range 5 { // being refused costs nothing
		_, err := l.Begin("ash", read)
		assert.Equal(t, 250*time.Millisecond, refusal(t, err, ErrRateLimited).RetryAfter)
	}
	at.pass(100 * time.Millisecond)
	_, err := l.Begin("ash", read)
	r := refusal(t, err, ErrRateLimited)
	assert.Equal(t, 150*time.Millisecond, r.RetryAfter)
	assert.ErrorContains(t, err, `class "read"; allowed: 4 a second, 3 at once`)
	at.pass(r.RetryAfter - time.Millisecond)
	_, err = l.Begin("ash", read)
	require.Error(t, err)
	at.pass(time.Millisecond)
	_, err = l.Begin("ash", read)
	require.NoError(t, err)
}

// Neither another class nor another member has to wait for one that overdid it.
func TestBucketsAreApart(t *testing.T) {
	at := newClock()
	l := limiter(t, Config{Rates: map[Class]Rate{Read: {1, 1}, Write: {1, 1}}, Now: at.now})
	for _, member := range []trial.MemberID{"ash", "birch"} {
		for _, method := range []string{read, write} {
			_, err := l.Begin(member, method)
			require.NoError(t, err, "%s %s", member, method)
			_, err = l.Begin(member, method)
			require.ErrorIs(t, err, ErrRateLimited)
		}
	}
	for range 1000 {
		_, err := l.Begin("", probe)
		require.NoError(t, err, "a probe is always answered")
	}
}

// A method that nobody classed has the least room of all.
func TestUnknownMethodIsTheStrictest(t *testing.T) {
	class, named := ClassOf("/commonvat.lab.v1.TrialService/DropEverything")
	assert.Equal(t, Strictest, class)
	assert.False(t, named)
	for class := Read; class < classes; class++ {
		assert.LessOrEqual(t, defaultRates[Strictest].PerSecond, defaultRates[class].PerSecond, class)
		assert.LessOrEqual(t, defaultRates[Strictest].Burst, defaultRates[class].Burst, class)
	}
}

func TestQuestionsAtATime(t *testing.T) {
	at := newClock()
	l := limiter(t, Config{Questions: 3, QuestionsPerMember: 2, Now: at.now})
	first, err := l.Begin("ash", question)
	require.NoError(t, err)
	_, err = l.Begin("ash", question)
	require.NoError(t, err)
	_, err = l.Begin("ash", question)
	assert.Positive(t, refusal(t, err, ErrBusy).RetryAfter)
	_, err = l.Begin("birch", question)
	require.NoError(t, err)
	_, err = l.Begin("cedar", question)
	assert.ErrorContains(t, err, "3 are running; allowed: 3")
	_, err = l.Begin("cedar", read)
	require.NoError(t, err, "records are served however many questions run")
	at.pass(40 * time.Second)
	first()
	first() // twice is as once
	assert.Equal(t, 2, l.running())
	_, err = l.Begin("cedar", question)
	require.NoError(t, err)
	_, err = l.Begin("ash", question)
	// Started at 1 s, an eighth of the way to 40 s: 5.875 s; half of it, since those running are on the average half done.
	assert.Equal(t, 2938*time.Millisecond, refusal(t, err, ErrBusy).RetryAfter)
}

// running tells how many questions run.
func (l *Limiter) running() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.questions
}

func TestWatchesAtATime(t *testing.T) {
	l := limiter(t, Config{Watches: 3, WatchesPerMember: 2})
	end, err := l.Begin("ash", watch)
	require.NoError(t, err)
	_, err = l.Begin("ash", watch)
	require.NoError(t, err)
	_, err = l.Begin("ash", watch)
	assert.Zero(t, refusal(t, err, ErrTooManyWatches).RetryAfter, "nobody knows when one ends")
	_, err = l.Begin("birch", watch)
	require.NoError(t, err)
	_, err = l.Begin("birch", watch)
	require.ErrorIs(t, err, ErrTooManyWatches)
	end()
	_, err = l.Begin("birch", watch)
	require.NoError(t, err)
}

// However many members come, no more than so many are remembered; one with something open is.
func TestMembersRememberedAreBounded(t *testing.T) {
	l := limiter(t, Config{Members: 10, WatchesPerMember: 1})
	_, err := l.Begin("ash", watch)
	require.NoError(t, err)
	for i := range 1000 {
		_, err := l.Begin(fmt.Sprintf("member-%d", i), read)
		require.NoError(t, err)
	}
	assert.Len(t, l.members.entries, 10)
	assert.Equal(t, 10, l.members.order.Len())
	_, err = l.Begin("ash", watch)
	require.ErrorIs(t, err, ErrTooManyWatches)
}

func TestManyAtOnceAreCountedRight(t *testing.T) {
	l := limiter(t, Config{Questions: 8, QuestionsPerMember: 8, Rates: map[Class]Rate{Question: {1e6, 1e6}}})
	var running sync.WaitGroup
	for range 16 {
		running.Go(func() {
			for range 200 {
				end, err := l.Begin("ash", question)
				if err == nil {
					end()
				} else if !errors.Is(err, ErrBusy) {
					t.Error(err)
				}
			}
		})
	}
	running.Wait()
	assert.Zero(t, l.running())
}

func TestWrongTokensAreNotLookedUpWithoutEnd(t *testing.T) {
	at := newClock()
	l := limiter(t, Config{Failures: Rate{PerSecond: 0.5, Burst: 3}, Addresses: 5, Tokens: 2, Now: at.now})
	here := &net.TCPAddr{IP: net.ParseIP("192.0.2.7"), Port: 1000}
	l.Proved("proven")
	for i := range 3 {
		here.Port = 1000 + i // another connection is no other address
		assert.True(t, l.MayTry(here, "guess"))
		l.Failed(here)
	}
	assert.False(t, l.MayTry(here, "guess"))
	assert.False(t, l.MayTry(here, ""))
	assert.True(t, l.MayTry(here, "proven"), "who was found right works on")
	assert.True(t, l.MayTry(&net.TCPAddr{IP: net.ParseIP("192.0.2.8")}, "guess"))
	at.pass(1900 * time.Millisecond)
	assert.False(t, l.MayTry(here, "guess"))
	at.pass(100 * time.Millisecond)
	assert.True(t, l.MayTry(here, "guess"))

	for i := range 100 {
		l.Failed(&net.TCPAddr{IP: net.IPv4(198, 51, 100, byte(i))})
		l.Proved(fmt.Sprint(i))
	}
	assert.Len(t, l.failed.entries, 5)
	assert.Len(t, l.proven.entries, 2)
}

// One subscriber has a network of 64 bits for themselves (RFC 6177), so that a bound for each address in it would be none.
func TestPlace(t *testing.T) {
	ip := func(text string) net.Addr { return &net.TCPAddr{IP: net.ParseIP(text)} }
	assert.Equal(t, place(ip("2001:db8:1:2::1")), place(ip("2001:db8:1:2:ffff::9")))
	assert.NotEqual(t, place(ip("2001:db8:1:2::1")), place(ip("2001:db8:1:3::1")))
	assert.Equal(t, place(ip("192.0.2.1")), place(ip("::ffff:192.0.2.1")))
	assert.NotEqual(t, place(ip("192.0.2.1")), place(ip("192.0.2.2")))
	assert.Equal(t, "unix", place(&net.UnixAddr{Name: "/a", Net: "unix"}))
	assert.Empty(t, place(nil))
	assert.Empty(t, place(&net.TCPAddr{}))
}

func TestFaultsOfAConfiguration(t *testing.T) {
	_, err := New(Config{Questions: -1, Rates: map[Class]Rate{Write: {-1, 1}}, Failures: Rate{1, 0}})
	require.ErrorContains(t, err, "limit questions: -1")
	require.ErrorContains(t, err, "limit write: -1")
	require.ErrorContains(t, err, "limit failures: 1 calls a second and 0 at once")
}

// BenchmarkBegin is what a call costs that is let in: the bucket, and the look at the token's address.
func BenchmarkBegin(b *testing.B) {
	l, err := New(Config{Rates: map[Class]Rate{Read: {1e6, 1e7}}})
	require.NoError(b, err)
	address := &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1)}
	b.ReportAllocs()
	b.RunParallel(func(p *testing.PB) {
		for p.Next() {
			l.MayTry(address, "id")
			l.Proved("id")
			end, err := l.Begin("ash", read)
			if err == nil { // a machine fast enough empties the bucket
				end()
			}
		}
	})
}
