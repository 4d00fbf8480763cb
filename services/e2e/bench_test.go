package e2e_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkCoreWithDemoPool starts the core with the demo pool in its record, answers a question, and prints how long it took
// until the core was ready and how much memory it then held. The limits that it was built to, 2 s and 64 MiB, are beside
// the figures and are not asserted.
func BenchmarkCoreWithDemoPool(b *testing.B) {
	data := b.TempDir()
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	out, err := demo(ctx, b, data, "--once").CombinedOutput()
	require.NoError(b, err, "%s", out)
	var ready time.Duration
	var resident float64
	for b.Loop() {
		l := &lab{t: b, data: data, runtime: shortDir(b), tokens: map[string]string{"clover": filepath.Join(data, "demo-tokens", "clover.token")}}
		begun := time.Now()
		l.start()
		ready += time.Since(begun)
		l.asks("clover", "palette", "--by", "order")
		resident = max(resident, residentMiB(b, l.core.Process.Pid))
		l.stop()
	}
	b.ReportMetric(ready.Seconds()/float64(b.N), "s-to-ready(limit-2)")
	b.ReportMetric(resident, "MiB-resident(limit-64)")
	b.ReportMetric(0, "ns/op") // of starting, asking and stopping together: means nothing
}

// residentMiB is the resident memory of a process.
func residentMiB(b *testing.B, pid int) float64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(b, err)
	_, after, found := strings.Cut(string(status), "VmRSS:")
	require.True(b, found)
	kB, err := strconv.ParseFloat(strings.Fields(after)[0], 64)
	require.NoError(b, err)
	return kB / 1024
}
