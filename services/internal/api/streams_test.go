package api_test

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"runtime"
	"runtime/pprof"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
)

// endsWithin is how long what must come is waited for, on a machine however busy.
const endsWithin = time.Minute

// tcp serves on loopback too, and gives the address.
func (c *core) tcp() string {
	c.t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(c.t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(c.t, err)
	served := make(chan error, 1)
	go func() { served <- c.server.Serve(listener) }()
	c.t.Cleanup(func() { c.server.Stop(); assert.NoError(c.t, <-served) })
	return listener.Addr().String()
}

// window is what a stream of these tests takes in unread. One that grows by itself would take in all that there is.
const window = 64 << 10

func (c *core) dialTCP(address string, options ...grpc.DialOption) *grpc.ClientConn {
	c.t.Helper()
	conn, err := grpc.NewClient("passthrough:///"+address, append(options, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithStaticStreamWindowSize(window))...)
	require.NoError(c.t, err)
	c.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// muchToTell makes 200 changes a trial, which come together; those of 10 trials are more than the buffers of a stream hold.
func (c *core) muchToTell(trials int) {
	c.t.Helper()
	for range trials {
		request := smallTrial()
		for range 199 {
			request.Baths = append(request.Baths, dyeBath("weld", 1))
		}
		_, err := c.trials().SubmitTrial(c.as("ada"), request)
		require.NoError(c.t, err)
	}
}

// A watcher that takes nothing for too long is ended, with a status that says so once it does read.
func TestStalledWatcherIsEnded(t *testing.T) {
	c := start(t, func(config *api.Config) { config.Connections.SendStall = time.Second })
	c.muchToTell(10)
	stream := c.watch("ada", 0)
	assert.Eventually(t, func() bool { return c.log.has(`"reason":"READER_STALLED"`) }, endsWithin, 10*time.Millisecond)
	var err error
	var last int64
	for err == nil {
		var change *labpb.WatchChangesResponse
		if change, err = stream.Recv(); err == nil {
			last = change.GetRevision()
		}
	}
	refused(t, err, codes.Unavailable, "READER_STALLED")
	assert.Less(t, last, c.store.Revision(), "it was cut off")
	again := c.watch("ada", last)
	_, err = again.Recv()
	require.NoError(t, err, "and goes on from what it had")
}

// A watcher with nothing to take isn't stalled, and one that takes slowly isn't either.
func TestIdleWatcherStays(t *testing.T) {
	c := start(t, func(config *api.Config) { config.Connections.SendStall = 2 * time.Second }) // so long that a busy machine is no reason
	stream := c.watch("ada", -1)
	time.Sleep(4 * time.Second) // twice the bound
	c.submit("ada", mine)
	_, err := stream.Recv()
	require.NoError(t, err)
}

// Two hundred watchers that never read hold up nobody, cost bounded memory, and are gone after the bound.
func TestManyWatchersThatNeverRead(t *testing.T) {
	watchers := 200
	if testing.Short() {
		watchers = 30
	}
	c := start(t, limited(limits.Config{WatchesPerMember: watchers}), func(config *api.Config) { config.Connections.SendStall = 2 * time.Second })
	c.muchToTell(80)
	wire := &between{}
	conn := c.dialTCP(c.tcp(), grpc.WithContextDialer(wire.dial))
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	goroutines, standing, memory := runtime.NumGoroutine(), len(withoutReadings(t)), heap()
	ctx, cancel := context.WithCancel(context.WithoutCancel(c.as("ada"))) // no deadline ends them
	defer cancel()
	for range watchers {
		stream, err := labpb.NewTrialServiceClient(conn).WatchChanges(ctx, &labpb.WatchChangesRequest{})
		require.NoError(t, err)
		_, err = stream.Header()
		require.NoError(t, err)
	}
	for range 20 {
		c.submit("bo", cooperative) // answered, however many don't read
	}
	ended := func() int { return strings.Count(c.log.String(), `"reason":"READER_STALLED"`) }
	// Each watcher has as much as it takes in before they are looked at; on a busy machine some are ended before others have that.
	require.Eventually(t, func() bool { return wire.read.Load() >= int64(watchers)*(window-1) || ended() > 0 }, 6*endsWithin, 10*time.Millisecond)
	// A watcher has its handler, its sender, the wait for the core's end, and what its client needs.
	running := withoutReadings(t)
	for ; len(running)-standing >= 6*watchers && ended() == 0; running = withoutReadings(t) { // nothing is under way once all have what they take in
		time.Sleep(10 * time.Millisecond)
	}
	if len(running)-standing >= 6*watchers {
		assert.Fail(t, "too many goroutines", "%d of %d watchers:\n%s", len(running)-standing, watchers, strings.Join(running, "\n\n"))
	}
	// The windows of both ends (64 KiB each) hold messages of some 70 bytes, each of which takes five times as much in the library's lists; a page of the feed, and
	// stacks. Both ends are in this process. All 16,000 changes would be 2 MiB a watcher.
	assert.Less(t, int64(heap())-int64(memory), int64(watchers)<<20)
	for before := -1; ended() < watchers && ended() > before; { // as long as it goes on, however slow the machine
		before = ended()
		assert.Eventually(t, func() bool { return ended() > before }, 6*endsWithin, 50*time.Millisecond)
		assert.Less(t, int64(heap())-int64(memory), int64(watchers)<<20)
	}
	assert.Equal(t, watchers, ended())
	cancel()
	assert.NoError(t, conn.Close())
	assert.Eventually(t, func() bool { return runtime.NumGoroutine() <= goroutines+5 }, endsWithin, 50*time.Millisecond)
}

// withoutReadings gives the stacks of all goroutines but for those that read the store: every reading leaves some behind, of database/sql and of its driver, which
// wait and end in their own time.
func withoutReadings(t *testing.T) (stacks []string) {
	t.Helper()
	var text strings.Builder
	require.NoError(t, pprof.Lookup("goroutine").WriteTo(&text, 2))
	return slices.DeleteFunc(strings.Split(text.String(), "\n\n"), func(stack string) bool {
		return strings.Contains(stack, "database/sql.") || strings.Contains(stack, "modernc.org/sqlite.")
	})
}

// between passes bytes between a client and the core, until it is cut: then it passes nothing more and closes nothing.
type between struct {
	mu   sync.Mutex
	cut  bool
	read atomic.Int64 // bytes that came from the core
}

func (b *between) dial(ctx context.Context, address string) (net.Conn, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", address)
	return &passing{conn, b, make(chan struct{}), sync.Once{}}, err
}

type passing struct {
	net.Conn
	by     *between
	closed chan struct{}
	once   sync.Once
}

func (p *passing) isCut() bool {
	p.by.mu.Lock()
	defer p.by.mu.Unlock()
	return p.by.cut
}

func (p *passing) Read(to []byte) (int, error) {
	n, err := p.Conn.Read(to)
	p.by.read.Add(int64(n))
	if p.isCut() {
		<-p.closed
		return 0, io.EOF
	}
	return n, err
}

func (p *passing) Write(from []byte) (int, error) {
	if p.isCut() {
		return len(from), nil
	}
	return p.Conn.Write(from)
}

func (p *passing) Close() error {
	p.once.Do(func() { close(p.closed) })
	return p.Conn.Close()
}

// A watcher whose connection is gone without a word is missed by the core within its keepalive.
func TestVanishedWatcherIsMissed(t *testing.T) {
	c := start(t, func(config *api.Config) {
		config.Connections.PingAfter, config.Connections.PingTimeout = time.Second, 2*time.Second // the library takes no less than 1 s
	})
	wire := &between{}
	conn, err := grpc.NewClient("passthrough:///"+c.tcp(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithContextDialer(wire.dial))
	require.NoError(t, err)
	defer func() { assert.NoError(t, conn.Close()) }()
	stream, err := labpb.NewTrialServiceClient(conn).WatchChanges(c.as("ada"), &labpb.WatchChangesRequest{AfterRevision: -1})
	require.NoError(t, err)
	_, err = stream.Header()
	require.NoError(t, err)
	wire.mu.Lock()
	wire.cut = true
	wire.mu.Unlock()
	assert.Eventually(t, func() bool {
		return c.log.has(`"method":"/commonvat.lab.v1.TrialService/WatchChanges","code":"Canceled"`)
	}, endsWithin, 20*time.Millisecond)
}

// closedByPeer waits until the core closes a connection.
func closedByPeer(t *testing.T, conn net.Conn) {
	t.Helper()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(endsWithin)))
	_, err := io.Copy(io.Discard, conn)
	assert.False(t, errors.Is(err, os.ErrDeadlineExceeded), "still open")
}

func raw(t *testing.T, address string) net.Conn {
	t.Helper()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// Connections that open and say nothing are closed after the handshake's time, and meanwhile others are served.
func TestHalfOpenConnectionsAreClosed(t *testing.T) {
	c := start(t, func(config *api.Config) { config.Connections.Handshake = 2 * time.Second })
	address := c.tcp()
	goroutines := runtime.NumGoroutine()
	var idle []net.Conn
	for range 100 {
		idle = append(idle, raw(t, address))
	}
	_, err := labpb.NewTrialServiceClient(c.dialTCP(address)).ListTrials(c.as("ada"), &labpb.ListTrialsRequest{})
	require.NoError(t, err)
	for _, conn := range idle {
		closedByPeer(t, conn)
	}
	assert.Eventually(t, func() bool { return runtime.NumGoroutine() < goroutines+30 }, endsWithin, 20*time.Millisecond)
}

func TestConnectionsAreBounded(t *testing.T) {
	c := start(t, func(config *api.Config) { config.Connections.MaxOpen = 3 })
	address := c.tcp()
	held := []net.Conn{raw(t, address), raw(t, address), raw(t, address)}
	closedByPeer(t, raw(t, address))
	require.NoError(t, held[0].Close())
	assert.Eventually(t, func() bool {
		_, err := labpb.NewTrialServiceClient(c.dialTCP(address)).ListTrials(c.as("ada"), &labpb.ListTrialsRequest{})
		return err == nil
	}, endsWithin, 20*time.Millisecond)
}

// preface opens HTTP/2 by hand (RFC 9113, section 3.4): the connection preface and an empty SETTINGS frame.
const preface = "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"

// frame is an HTTP/2 frame (RFC 9113, section 4.1).
func frame(kind, flags byte, stream uint32, payload []byte) []byte {
	head := []byte{byte(len(payload) >> 16), byte(len(payload) >> 8), byte(len(payload)), kind, flags}
	return append(binary.BigEndian.AppendUint32(head, stream), payload...)
}

const (
	frameHeaders, frameSettings, framePing, frameGoAway, frameContinuation = 1, 4, 6, 7, 9
)

// goneWith reads frames until GOAWAY or the end of the connection, and gives the GOAWAY's code (RFC 9113, section 7) or -1.
func goneWith(t *testing.T, conn net.Conn) int64 {
	t.Helper()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(endsWithin)))
	for {
		head := make([]byte, 9)
		if _, err := io.ReadFull(conn, head); err != nil {
			require.False(t, errors.Is(err, os.ErrDeadlineExceeded), "still open")
			return -1
		}
		payload := make([]byte, int(head[0])<<16|int(head[1])<<8|int(head[2]))
		if _, err := io.ReadFull(conn, payload); err != nil {
			return -1
		}
		if head[3] == frameGoAway {
			return int64(binary.BigEndian.Uint32(payload[4:8]))
		}
	}
}

// A client that asks all the time whether the core is there is sent away: ENHANCE_YOUR_CALM is 11.
func TestPingFloodIsSentAway(t *testing.T) {
	conn := raw(t, start(t).tcp())
	_, err := conn.Write(append([]byte(preface), frame(frameSettings, 0, 0, nil)...))
	require.NoError(t, err)
	for range 10 {
		if _, err := conn.Write(frame(framePing, 0, 0, make([]byte, 8))); err != nil {
			break
		}
	}
	assert.EqualValues(t, 11, goneWith(t, conn))
}

// Headers without end (RFC 9113, section 6.10: CONTINUATION) are cut off, however little each frame holds.
func TestEndlessHeadersAreCutOff(t *testing.T) {
	c := start(t)
	address := c.tcp()
	conn := raw(t, address)
	_, err := conn.Write(append([]byte(preface), frame(frameSettings, 0, 0, nil)...))
	require.NoError(t, err)
	// One literal field, never indexed names of 100 and values of 100 bytes (RFC 7541, section 6.2.2).
	field := append(append([]byte{0, 100}, strings.Repeat("n", 100)...), append([]byte{100}, strings.Repeat("v", 100)...)...)
	sent := 0
	_, err = conn.Write(frame(frameHeaders, 0, 1, field))
	for ; err == nil && sent < 64<<20; sent += len(field) {
		_, err = conn.Write(frame(frameContinuation, 0, 1, field))
	}
	assert.Less(t, sent, 64<<20, "taken without end")
	_, err = labpb.NewTrialServiceClient(c.dialTCP(address)).ListTrials(c.as("ada"), &labpb.ListTrialsRequest{})
	require.NoError(t, err)
}
