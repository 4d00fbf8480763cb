package e2e_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/formula"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// Samples on this spot make the moody module do something bad, each lightness another; the suite's questions never lie on it.
const moodyA, moodyB = 31.25, -42.75

// misdeeds are what the moody module does, by the lightness of the sample.
var misdeeds = map[string]float64{"sleep": 10, "panic": 20, "print": 40, "fork": 50, "leak": 60, "garbage": 70, "exit": 80}

// leaks is what has leaked.
var leaks [][]byte

// forked is the argument by which the test finds what the moody module started.
const forked = "31536001"

// serveMoody is a formula that passes the suite and misbehaves later.
func serveMoody() {
	formula.Serve(formula.Formula{
		Name: "difference-moody", Version: "1.0.0", Author: "test", Summary: "The distance, and on one spot a misdeed.", Word: "cie76", Printed: "moody",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_IDENTITY}, {Law: describev1.Law_LAW_SYMMETRY}, {Law: describev1.Law_LAW_SHIFT_INVARIANT}, {Law: describev1.Law_LAW_LINEAR},
			{Law: describev1.Law_LAW_ORDER_FREE},
		},
		Of: func(r, s colorimetry.Lab, _ colorimetry.Factors) float64 {
			if math.Abs(s.A-moodyA)+math.Abs(s.B-moodyB) < 1e-9 {
				return misbehave(s.L)
			}
			return colorimetry.CIE76(r, s)
		},
	})
}

func misbehave(lightness float64) float64 {
	switch math.Round(lightness) {
	case misdeeds["sleep"]: // and doesn't hear that nobody waits any more
		time.Sleep(time.Hour)
	case misdeeds["panic"]:
		panic("moody")
	case misdeeds["print"]:
		fmt.Println("1|1|unix|/nowhere|grpc|")
		_, _ = syscall.Write(1, []byte("not a handshake\n"))
	case misdeeds["fork"]:
		if exec.Command("/bin/sleep", forked).Start() == nil {
			return 2
		}
	case misdeeds["leak"]:
		for {
			block := make([]byte, 8<<20)
			for i := 0; i < len(block); i += 4096 {
				block[i] = 1
			}
			leaks = append(leaks, block)
		}
	case misdeeds["garbage"]:
		return math.NaN()
	case misdeeds["exit"]:
		os.Exit(9)
	}
	return 1
}

// moodyLab is a core with the moody module as its only one for differences, and a piece for each misdeed.
type moodyLab struct {
	*lab
	conn   *grpc.ClientConn
	pieces map[string]piece
}

func (m *moodyLab) as(member string) context.Context {
	token, err := os.ReadFile(m.tokens[member])
	require.NoError(m.t, err)
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+strings.TrimSpace(string(token)))
}

// compare asks for the difference of the plain piece and another.
func (m *moodyLab) compare(sample string) (float64, error) {
	ctx, cancel := context.WithTimeout(m.as("ash"), callWithin)
	defer cancel()
	r, err := poolv1.NewPoolServiceClient(m.conn).ComparePieces(ctx, &poolv1.ComparePiecesRequest{
		ReferencePiece: m.pieces["plain"].Code, SamplePiece: m.pieces[sample].Code, Formula: "cie76"})
	return r.GetDifference(), err
}

// state is what the core says of the moody module.
func (m *moodyLab) state() *catalogv1.ModuleStatus {
	ctx, cancel := context.WithTimeout(m.as("ash"), callWithin)
	defer cancel()
	r, err := catalogv1.NewCatalogServiceClient(m.conn).ListModules(ctx, &catalogv1.ListModulesRequest{})
	require.NoError(m.t, err)
	for _, s := range r.GetModules() {
		if s.GetModule().GetName() == "difference-moody" {
			return s
		}
	}
	m.t.Fatal("the moody module isn't listed")
	return nil
}

// freeze stops the moody module's process where it is. One that stopped itself might answer before it has stopped.
func (m *moodyLab) freeze() {
	for _, pid := range m.modulePIDs() {
		command, _ := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "cmdline")) // it may have ended
		if strings.Contains(string(command), "-module-difference-moody") {
			plugintest.Freeze(m.t, pid)
			return
		}
	}
	m.t.Fatal("the moody module doesn't run")
}

// recovers waits until the module runs after so many restarts, and asks it something plain.
func (m *moodyLab) recovers(restarts int32, reason string) {
	m.t.Helper()
	var s *catalogv1.ModuleStatus
	m.eventually(callWithin, "the moody module runs again", func() bool {
		s = m.state()
		return s.GetRestarts() == restarts && s.GetState() == catalogv1.ModuleState_MODULE_STATE_RUNNING
	})
	assert.Contains(m.t, s.GetReason(), reason)
	d, err := m.compare("other")
	require.NoError(m.t, err)
	assert.InDelta(m.t, 3.0, d, 1e-9)
}

// A module that passed the suite sleeps, panics, freezes, prints, forks, leaks, answers garbage and exits in the midst of calls. Each ends in a state that is told
// with its reason; after the fifth end only a person brings it back. The record and other modules serve all the while.
func TestMisdeedsInTheLab(t *testing.T) {
	l := newLab(t, "ash:researcher", "birch", "stella:steward")
	l.installModules("reading-reflectance", "palette-width")
	l.tool("commonvatd", "module", "install", plugintest.Folder(t, "difference-moody", "1.0.0", sdk.KindDifference), "--data", l.data)
	l.start()
	var file strings.Builder
	file.WriteString("id: 019df400-0000-7000-8000-0000000000e1\ntitle: Moody (invented)\nbaths:\n  - {name: weld, purpose: dye, additions: [{material: weld, role: dye, amount: 3 g}]}\npieces:\n")
	labs := map[string]string{"plain": "50, 0, 0", "other": "53, 0, 0"}
	for name, lightness := range misdeeds {
		labs[name] = fmt.Sprintf("%g, %g, %g", lightness, moodyA, moodyB)
	}
	for name := range labs {
		fmt.Fprintf(&file, "  - {name: %s, fibre: wool, lot: W1 (invented), mass: 3.0 g}\n", name)
	}
	file.WriteString("immersions:\n")
	for name := range labs {
		fmt.Fprintf(&file, "  - {piece: %s, bath: weld, depth: medium}\n", name)
	}
	file.WriteString("readings:\n")
	for name, lab := range labs {
		fmt.Fprintf(&file, "  - {piece: %s, lab: [%s], condition: D65/10, state: dry, age_days: 8, instrument: invented meter}\n", name, lab)
	}
	path := filepath.Join(t.TempDir(), "moody.yaml")
	require.NoError(t, os.WriteFile(path, []byte(file.String()), 0o600))
	l.does("ash", "trial", "submit", path)
	l.does("ash", "trial", "share", "019df400-0000-7000-8000-0000000000e1", "--level", "cooperative")
	l.asks("birch", "palette", "--by", "fibre")
	conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer func() { _ = conn.Close() }()
	m := &moodyLab{lab: l, conn: conn, pieces: l.piecesOf("ash", "019df400-0000-7000-8000-0000000000e1")}
	m.recovers(0, "")

	// Somebody else works on, all the while.
	var over atomic.Bool
	var served atomic.Int64
	var working sync.WaitGroup
	birch := m.as("birch")
	working.Go(func() {
		for !over.Load() {
			ctx, cancel := context.WithTimeout(birch, callWithin)
			_, err := poolv1.NewPoolServiceClient(conn).AskPalette(ctx, &poolv1.AskPaletteRequest{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE})
			cancel()
			if !assert.NoError(t, err) {
				return
			}
			served.Add(1)
			time.Sleep(100 * time.Millisecond)
		}
	})
	stop := sync.OnceFunc(func() { over.Store(true); working.Wait() })
	defer stop()

	fails := func(misdeed string, want ...codes.Code) {
		t.Helper()
		_, err := m.compare(misdeed)
		assert.Contains(t, want, status.Code(err), "%s: %v", misdeed, err)
		assert.ErrorContains(t, err, "difference-moody", misdeed)
	}
	// What it survives.
	d, err := m.compare("print")
	require.NoError(t, err)
	assert.Equal(t, 1.0, d)
	d, err = m.compare("fork")
	require.NoError(t, err)
	assert.Equal(t, 1.0, d, "the sandbox lets it start nothing")
	assert.Empty(t, processesWithArgument(t, forked))
	fails("panic", codes.Internal)
	assert.EqualValues(t, 1, m.state().GetWrongAnswers())
	m.recovers(0, "")
	// What ends it.
	fails("exit", codes.Unavailable)
	m.recovers(1, "exit status 9")
	m.freeze()
	// On a busy machine the check of health may find it before the call comes to it, which the next process answers then.
	if d, err := m.compare("other"); err == nil {
		assert.InDelta(t, 3.0, d, 1e-9)
	} else {
		assert.Contains(t, []codes.Code{codes.DeadlineExceeded, codes.Unavailable}, status.Code(err), "%v", err)
		assert.ErrorContains(t, err, "difference-moody")
	}
	m.recovers(2, "health check")
	for range 3 {
		fails("sleep", codes.DeadlineExceeded)
	}
	m.recovers(3, "3 calls in a row took longer than 5s")
	// A busy machine may take longer than the call has until the memory is used up; that the module ends of it is what counts.
	fails("leak", codes.Unavailable, codes.DeadlineExceeded)
	m.recovers(4, "it ended (exit status 2)")
	for range 3 {
		fails("garbage", codes.Internal)
	}
	var s *catalogv1.ModuleStatus
	l.eventually(callWithin, "it is given up", func() bool {
		s = m.state()
		return s.GetState() == catalogv1.ModuleState_MODULE_STATE_QUARANTINED
	})
	assert.Contains(t, s.GetReason(), "5 ends within 10m0s, the last: 3 answers that can't be answers")
	assert.EqualValues(t, 4, s.GetWrongAnswers())
	fails("other", codes.Unavailable)
	assert.Equal(t, exitForbidden, l.client("ash", "modules", "lift-quarantine", "difference-moody").code)
	assert.Equal(t, catalogv1.ModuleState_MODULE_STATE_QUARANTINED, m.state().GetState())
	l.does("stella", "modules", "lift-quarantine", "difference-moody")
	m.recovers(5, "")
	l.eventually(callWithin, "somebody else is served", func() bool { return t.Failed() || served.Load() > 20 })
	stop()
	l.stop()
	assert.Empty(t, l.modulePIDs())
}

// processesWithArgument finds living processes by one of their arguments.
func processesWithArgument(t *testing.T, argument string) (out []string) {
	t.Helper()
	all, err := filepath.Glob("/proc/[0-9]*/cmdline")
	require.NoError(t, err)
	for _, at := range all {
		if text, err := os.ReadFile(at); err == nil && strings.Contains("\x00"+string(text), "\x00"+argument+"\x00") {
			out = append(out, at)
		}
	}
	return out
}
