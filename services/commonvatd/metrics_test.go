package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// pulled gets the metrics of a core.
func pulled(t *testing.T, core *serving) string {
	t.Helper()
	at := regexp.MustCompile(`"msg":"metrics can be pulled","listen":"([^"]+)"`).FindStringSubmatch(core.log.String())
	require.NotNil(t, at, core.log.String())
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: time.Minute}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+at[1]+"/metrics", nil)
	require.NoError(t, err)
	answer, err := client.Do(request)
	require.NoError(t, err)
	defer func() { assert.NoError(t, answer.Body.Close()) }()
	require.Equal(t, http.StatusOK, answer.StatusCode)
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return string(text)
}

// A running core tells of what happened, and neither of whom nor of where.
func TestMetricsOfACore(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	code, stdout, stderr := command(t, "member", "add", "stella", "--data", data, "--role", "steward")
	require.Equal(t, exitOK, code, stderr)
	token := strings.TrimSpace(stdout)
	core := runCore(t, data, "--metrics-listen", "127.0.0.1:0")
	registry := accesspb.NewAccessServiceClient(dial(t, core.address, insecure.NewCredentials()))
	as := func(token string) error {
		_, err := registry.CreateMember(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token), &accesspb.CreateMemberRequest{
			Member: &accesspb.Member{Id: "dot", DisplayName: "Dot of the weld garden", Roles: []accesspb.Role{accesspb.Role_ROLE_MEMBER}},
		})
		return err
	}
	require.Equal(t, codes.Unauthenticated, status.Code(as(token+"x")))
	require.NoError(t, as(token))
	require.Equal(t, codes.AlreadyExists, status.Code(as(token)))

	text := pulled(t, core)
	for _, line := range []string{
		`commonvat_unauthenticated_total 1`,
		`commonvat_refusals_total{commonvat_reason="ID_IN_USE"} 1`,
		`commonvat_refusals_total{commonvat_reason="UNAUTHENTICATED"} 1`,
		`rpc_server_call_duration_seconds_count{rpc_method="commonvat.access.v1.AccessService/CreateMember",rpc_response_status_code="OK",rpc_system_name="grpc"} 1`,
		`commonvat_pool_rows 0`,
		`commonvat_build{commonvat_version="` + version() + `"} 1`,
	} {
		assert.Contains(t, text, line+"\n")
	}
	assert.Regexp(t, `(?m)^commonvat_store_commit_duration_seconds_count [1-9]`, text)
	assert.Regexp(t, `(?m)^commonvat_store_commit_changes_sum [1-9]`, text)
	assert.NotContains(t, text, "commonvat_backup_age", "there is no backup")
	for _, secret := range []string{token, "cvat_", "stella", "dot", "weld", data, core.address} {
		assert.NotContains(t, strings.ToLower(text), secret)
	}

	made := time.Now().Add(-time.Hour).UTC().Format(time.RFC3339)
	require.NoError(t, os.WriteFile(datafolder.LastBackup(data), []byte(fmt.Sprintf(`{"time":%q}`, made)), 0o600))
	assert.Regexp(t, `(?m)^commonvat_backup_age_seconds 36\d\d`, pulled(t, core))
	assert.Equal(t, exitOK, core.stop())
}

func TestMetricsAreOffUntilAskedFor(t *testing.T) {
	core := runCore(t, t.TempDir())
	assert.Equal(t, exitOK, core.stop())
	assert.NotContains(t, core.log.String(), "metrics")
}

func TestMetricsListenFaults(t *testing.T) {
	code, _, stderr := command(t, "serve", "--data", t.TempDir(), "--metrics-listen", "0.0.0.0:7731", "--log-level", "loud")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, stderr, `metrics.listen: "0.0.0.0:7731" is not loopback`)
	assert.Contains(t, stderr, "--log-level", "with the other faults")
}

// TestEveryFigureOfTheStoreIsTold fails when a figure of the store reaches no metric.
func TestEveryFigureOfTheStoreIsTold(t *testing.T) {
	told := storeState(sqlite.Stats{
		SchemaVersion: 1, QueueDepth: 2, LogBytes: 3, Replays: 4, GroupsLost: 5, BusyErrors: 6, CheckpointsFailed: 7, Damaged: true,
		QueueCapacity: 90, Groups: 91, Changes: 92, // a constant, and what the histograms of commits count
	})
	assert.Equal(t, telemetry.StoreState{Schema: 1, QueueDepth: 2, LogBytes: 3, Replays: 4, GroupsLost: 5, Busy: 6, CheckpointFailures: 7, Damaged: true}, told)
	v := reflect.ValueOf(told)
	for i := range v.NumField() {
		assert.False(t, v.Field(i).IsZero(), v.Type().Field(i).Name)
	}
}
