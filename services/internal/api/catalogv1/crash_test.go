package catalogv1_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

// hostEnv makes this test binary a core that activates a build and is killed at a step; its value is the parts of a host by "|".
const hostEnv = "COMMONVAT_CATALOGV1_TEST_HOST"

// The steps at which a core is killed.
const (
	whileItIsTried = "while the build is tried"
	beforeKept     = "before the choice is kept"
	afterKept      = "after the choice is kept, before calls move"
	afterMoved     = "after calls moved"
)

func killed() { _ = syscall.Kill(os.Getpid(), syscall.SIGKILL); select {} }

// killingChoices keeps choices, and kills its process before or after.
type killingChoices struct {
	*sqlite.Store
	at string
}

func (k killingChoices) ChooseModule(ctx context.Context, by store.Actor, c store.ModuleChoice, act, reason string) error {
	if k.at == beforeKept {
		killed()
	}
	err := k.Store.ChooseModule(ctx, by, c, act, reason)
	if k.at == afterKept {
		killed()
	}
	return err
}

// runHost never comes back as long as the activation comes to the step.
func runHost(value string) {
	parts := strings.Split(value, "|")
	path, folder, runtime, digest, at := parts[0], parts[1], parts[2], parts[3], parts[4]
	ctx := context.Background()
	records, err := sqlite.Open(ctx, sqlite.Config{Path: path})
	if err != nil {
		panic(err)
	}
	modules, err := catalog.Open(catalog.Config{StoreDir: folder, RuntimeDir: runtime, StartTimeout: plugintest.Patience, SelfTest: func(_ context.Context, m catalog.Module, _ *describev1.DescribeResponse, _ grpc.ClientConnInterface) error {
		if m.Digest == digest && at == whileItIsTried {
			killed()
		}
		return nil
	}, Active: map[string][]string{sdk.KindPalette: {parts[5]}}})
	if err != nil {
		panic(err)
	}
	if err := catalogtest.Ready(ctx, modules); err != nil {
		panic(err)
	}
	service := catalogv1.New(catalogv1.Config{Modules: modules, Folder: folder, Choices: killingChoices{records, at}})
	caller := access.WithCaller(grpc.NewContextWithServerTransportStream(ctx, called{}), access.Caller{ID: "ada", TokenID: "tada", Roles: []access.Role{access.Coordinator}})
	_, err = service.ActivateModule(caller, &catalogpb.ActivateModuleRequest{Digest: digest})
	if at == afterMoved {
		killed()
	}
	panic(fmt.Sprint("the activation did not come to its step: ", err))
}

// A core that is killed between the steps of an activation starts again with the one build or the other, as the choice was kept or not, and with its line in the
// audit trail or without.
func TestKilledBetweenTheStepsOfAnActivation(t *testing.T) {
	self, err := os.Executable()
	require.NoError(t, err)
	for at, moved := range map[string]bool{whileItIsTried: false, beforeKept: false, afterKept: true, afterMoved: true} {
		t.Run(at, func(t *testing.T) {
			path, folder, runtime := filepath.Join(t.TempDir(), "records.db"), t.TempDir(), catalogtest.RuntimeDir(t)
			var digests []string
			for _, version := range []string{"1.0.0", "2.0.0"} {
				in, err := catalog.Add(folder, plugintest.Folder(t, "wide", version, sdk.KindPalette))
				require.NoError(t, err)
				require.NoError(t, catalog.KeepReport(folder, in.Digest, []byte(passed)))
				if version == "1.0.0" {
					require.NoError(t, catalog.Choose(folder, in))
				}
				digests = append(digests, in.Digest)
			}
			host := exec.CommandContext(t.Context(), self)
			host.Env = append(os.Environ(), hostEnv+"="+strings.Join([]string{path, folder, runtime, digests[1], at, digests[0]}, "|"))
			said, err := host.CombinedOutput()
			var exit *exec.ExitError
			require.ErrorAs(t, err, &exit)
			require.Equal(t, syscall.SIGKILL, exit.Sys().(syscall.WaitStatus).Signal(), "%s", said)

			records, err := sqlite.Open(t.Context(), sqlite.Config{Path: path})
			require.NoError(t, err)
			defer func() { assert.NoError(t, records.Close()) }()
			l := &lab{t: t, records: records, folder: folder}
			active, err := catalog.ActiveWith(folder, l.chosen())
			require.NoError(t, err)
			modules, err := catalog.Open(catalog.Config{StoreDir: folder, RuntimeDir: runtime, Active: active, StartTimeout: plugintest.Patience})
			require.NoError(t, err)
			defer func() {
				ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
				defer cancel()
				modules.Close(ctx)
			}()
			require.NoError(t, catalogtest.Ready(t.Context(), modules))
			want, entries := digests[0], 0
			if moved {
				want, entries = digests[1], 1
			}
			require.Len(t, modules.Status(), 1)
			st := modules.Status()[0]
			assert.Equal(t, want, st.Digest)
			assert.Equal(t, catalog.StateRunning, st.State, st.Reason)
			assert.True(t, st.Default)
			trail, err := records.AuditEntries(t.Context(), store.AuditQuery{Limit: 10})
			require.NoError(t, err)
			assert.Len(t, trail, entries)
			sockets, err := filepath.Glob(filepath.Join(runtime, "i-*"))
			require.NoError(t, err)
			assert.Len(t, sockets, 1, "what the killed core left is swept away")

			// And the activation can be made again.
			service := catalogv1.New(catalogv1.Config{Modules: modules, Folder: folder, Choices: records})
			again, err := service.ActivateModule(as(t, access.Coordinator), &catalogpb.ActivateModuleRequest{Digest: digests[1]})
			require.NoError(t, err)
			assert.Equal(t, digests[1], again.GetModule().GetDigest())
		})
	}
}
