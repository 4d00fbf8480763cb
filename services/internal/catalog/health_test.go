package catalog_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/hashicorp/go-plugin"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
)

// serveSick is a module that answers its health check, and by the answer isn't well: from the beginning, or from the call "sicken" on. The one called
// "collapses" ends instead.
func serveSick(name string, from bool) func() {
	return func() {
		var sick atomic.Bool
		sick.Store(from)
		m := echo.Module(name, "1.0.0", sdk.KindPalette, func(_ context.Context, in []byte) ([]byte, error) {
			if string(in) == "sicken" {
				sick.Store(true)
			}
			return in, nil
		})
		os.Stdout = handshakeOut()
		plugin.Serve(&plugin.ServeConfig{
			HandshakeConfig: sdk.Handshake(), Plugins: plugin.PluginSet{sdk.PluginName: registered{module: m}},
			GRPCServer: func(opts []grpc.ServerOption) *grpc.Server {
				return grpc.NewServer(append(opts, grpc.UnaryInterceptor(func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
					if sick.Load() && strings.HasPrefix(info.FullMethod, "/grpc.health.v1.Health/") {
						if name == "collapses" {
							os.Exit(9)
						}
						return &healthv1.HealthCheckResponse{Status: healthv1.HealthCheckResponse_NOT_SERVING}, nil
					}
					return handler(ctx, req)
				}))...)
			},
		})
	}
}

// handshakeOut finds where the SDK has put the process's standard output: the one pipe above 9 (guardStdout).
func handshakeOut() *os.File {
	for fd := 10; fd < 100; fd++ {
		if to, err := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", fd)); err == nil && strings.HasPrefix(to, "pipe:") {
			return os.NewFile(uintptr(fd), "handshake")
		}
	}
	return nil
}

type registered struct {
	plugin.NetRPCUnsupportedPlugin
	module sdk.Module
}

func (r registered) GRPCServer(_ *plugin.GRPCBroker, s *grpc.Server) error {
	sdk.Register(r.module, s)
	return nil
}

func (registered) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, os.ErrInvalid
}

// A module that says itself that it isn't well serves no call: not at its start, where the step is named, and not later.
func TestAnUnhealthyModuleDoesNotServe(t *testing.T) {
	store := ""
	c := catalogtest.Open(t, []string{folder(t, "sickens")}, quick, func(cfg *catalog.Config) { store = cfg.StoreDir })
	digest, err := catalog.Install(store, folder(t, "sick"))
	require.NoError(t, err)
	var fault *catalog.StartFault
	require.ErrorAs(t, c.Activate(t.Context(), digest, nil), &fault)
	assert.Equal(t, catalog.StepHealth, fault.Step)
	require.ErrorIs(t, fault, host.ErrUnhealthy)
	assert.ErrorContains(t, fault, "health: module sick did not start: module sick is not healthy: NOT_SERVING")
	assert.Len(t, c.Status(), 1)

	digest, err = catalog.Install(store, folder(t, "collapses"))
	require.NoError(t, err)
	require.ErrorAs(t, c.Activate(t.Context(), digest, nil), &fault)
	assert.Equal(t, catalog.StepHealth, fault.Step)
	assert.ErrorContains(t, fault, "it ended after the handshake, before it was healthy (exit status 9)")

	processes, err := filepath.Glob("/proc/[0-9]*/exe")
	require.NoError(t, err)
	var running []string // of this test's own store
	for _, at := range processes {
		if program, err := os.Readlink(at); err == nil && strings.HasPrefix(program, store+string(filepath.Separator)) {
			running = append(running, filepath.Base(program))
		}
	}
	assert.Equal(t, []string{sdk.ExecutablePrefix + "sickens"}, running)

	_, err = call(t, c, "sickens", "sicken")
	require.NoError(t, err)
	st := eventually(t, c, catalog.StateRunning, 1)
	assert.Contains(t, st.Reason, "is not healthy: NOT_SERVING")
}
