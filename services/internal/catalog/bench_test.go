package catalog_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"
)

// BenchmarkModuleCall compares a call through the catalog (acquire, deadline, recovery, limits, release) with a call of the
// same bytes to a bare go-plugin process, both over mutual TLS, telemetry off. The two take turns in small batches, so that
// what else the machine does falls on both; the sub-benchmark reports the ratio of the two sums, wanted at most 1.25.
func BenchmarkModuleCall(b *testing.B) {
	c := catalogtest.Open(b, []string{folder(b, "echo")})
	bare := bareConn(b)
	for _, size := range []int{256, 4 << 10, 64 << 10, 1 << 20} {
		b.Run(fmt.Sprintf("%dB", size), func(b *testing.B) {
			in := make([]byte, size)
			ours := func() error {
				h, err := c.Acquire(sdk.KindPalette)
				if err != nil {
					return err
				}
				defer h.Release()
				_, err = echo.Call(b.Context(), h, in)
				return err
			}
			theirs := func() error {
				_, err := echo.Call(b.Context(), bare, in)
				return err
			}
			const batch = 20
			var sum [2]time.Duration
			calls := 0
			for b.Loop() {
				for i, f := range []func() error{ours, theirs} {
					began := time.Now()
					for range batch {
						if err := f(); err != nil {
							b.Fatal(err)
						}
					}
					sum[i] += time.Since(began)
				}
				calls += batch
			}
			b.ReportMetric(float64(sum[0].Microseconds())/float64(calls), "µs/call")
			b.ReportMetric(float64(sum[1].Microseconds())/float64(calls), "µs/bare-call")
			b.ReportMetric(float64(sum[0])/float64(sum[1]), "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// bareConn starts this test binary as a go-plugin process without the SDK, by go-plugin alone.
func bareConn(b *testing.B) *grpc.ClientConn {
	b.Helper()
	client := plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  bareHandshake,
		Plugins:          plugin.PluginSet{sdk.PluginName: barePlugin{}},
		Cmd:              exec.Command(filepath.Join(folder(b, "bare"), sdk.ExecutablePrefix+"bare")),
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		AutoMTLS:         true,
		Logger:           hclog.New(&hclog.LoggerOptions{Output: os.Stderr, Level: hclog.Off}),
	})
	b.Cleanup(client.Kill)
	protocol, err := client.Client()
	if err != nil {
		b.Fatal(err)
	}
	raw, err := protocol.Dispense(sdk.PluginName)
	if err != nil {
		b.Fatal(err)
	}
	return raw.(*grpc.ClientConn)
}
