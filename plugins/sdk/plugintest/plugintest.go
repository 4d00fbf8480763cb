// Package plugintest helps to test modules: within the test's own process over an in-memory connection, and as real
// processes that are the test binary itself, started again under another name. Nothing has to be built beforehand.
package plugintest

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/test/bufconn"
)

// Dial serves m within this process, with the limits, the recovery and the spans of a real module, and returns a
// connection to it. Both end with the test.
func Dial(t testing.TB, m sdk.Module, opts ...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	if err := m.Check(); err != nil {
		t.Fatalf("module is incomplete: %v", err)
	}
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer(sdk.ServerOptions(m)...)
	sdk.Register(m, server)
	h := health.NewServer()
	h.SetServingStatus("plugin", healthv1.HealthCheckResponse_SERVING)
	healthv1.RegisterHealthServer(server, h)
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(listener) // ends with the Stop below
	}()
	conn, err := grpc.NewClient("passthrough:///module", append([]grpc.DialOption{
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithMaxHeaderListSize(sdk.MaxHeaderBytes),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(sdk.MaxMessageBytes), grpc.MaxCallSendMsgSize(sdk.MaxMessageBytes)),
	}, opts...)...)
	if err != nil {
		t.Fatalf("no connection to the module: %v", err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		server.Stop()
		<-done
	})
	return conn
}

// Main is the body of a TestMain whose test binary can also be a module. When the binary was started under the name
// commonvat-module-NAME it runs modules[NAME] and never returns; otherwise it returns and the caller runs the tests:
//
//	func TestMain(m *testing.M) {
//		plugintest.Main(map[string]func(){
//			"echo": func() { sdk.Serve(echo()) },
//		})
//		os.Exit(m.Run())
//	}
func Main(modules map[string]func()) {
	name, ok := strings.CutPrefix(filepath.Base(os.Args[0]), sdk.ExecutablePrefix)
	if !ok {
		return
	}
	run, ok := modules[name]
	if !ok {
		names := make([]string, 0, len(modules))
		for n := range modules {
			names = append(names, n)
		}
		slices.Sort(names)
		fmt.Fprintf(os.Stderr, "this test binary has no module %q, only %s\n", name, strings.Join(names, ", "))
		os.Exit(2)
	}
	run()
	os.Exit(0)
}

// Folder makes a module folder, as `commonvatd module install` takes it, whose executable is this test binary under the
// module's name, and returns its path. The folder goes with the test.
func Folder(t testing.TB, name, version, kind string) string {
	t.Helper()
	self, err := executable()
	if err != nil {
		t.Fatalf("own executable: %v", err)
	}
	return FolderOf(t, self, name, version, kind)
}

// FolderOf is Folder for any executable.
func FolderOf(t testing.TB, executable, name, version, kind string) string {
	t.Helper()
	dir := t.TempDir()
	target := filepath.Join(dir, sdk.ExecutablePrefix+name)
	if err := copyFile(executable, target); err != nil { // a hard link can't be installed
		t.Fatalf("copy %s: %v", executable, err)
	}
	manifest, err := json.Marshal(map[string]string{"name": name, "version": version, "kind": kind})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "module.json"), manifest, 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// copyFile copies a program. Meanwhile nothing is forked: a child would hold the copy open for writing for a moment, and who executes it then is told
// "text file busy".
func copyFile(from, to string) error {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o755) //nolint:gosec // it is a program
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	if cerr := out.Close(); err == nil {
		err = cerr
	}
	return err
}
