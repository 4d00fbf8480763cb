package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// held starts the module as a core does, under the limit of memory of one that asks for none.
func held(t *testing.T) *host.Process {
	t.Helper()
	program := filepath.Join(t.TempDir(), sdk.ExecutablePrefix+palette.Name)
	build := exec.Command("go", "build", "-o", program, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(sockets)) })
	folder := plugintest.FolderOf(t, program, palette.Name, palette.Version, sdk.KindPalette)
	p, err := host.Start(t.Context(), host.Config{
		Path: filepath.Join(folder, sdk.ExecutablePrefix+palette.Name), SocketParent: sockets, Sandbox: sandbox.Policy{Profile: sandbox.Local},
		StartTimeout: plugintest.Patience,
	})
	require.NoError(t, err)
	t.Cleanup(func() { p.Stop(3 * time.Second) })
	return p
}

// everywhere is a question of so many groups that all lie in so many strata, with so many cells in each.
func everywhere(groups, strata, cells int) []*palettev1.MeasureWidthsRequest {
	labels := &columnsv1.Labels{Blocks: []string{""}}
	for i := range groups {
		labels.Groups = append(labels.Groups, fmt.Sprintf("group %03d", i))
	}
	for i := range strata {
		labels.Strata = append(labels.Strata, fmt.Sprintf("yarn %04d", i))
	}
	for i := range cells {
		labels.Cells = append(labels.Cells, fmt.Sprintf("recipe %d", i))
	}
	rows := groups * strata * cells
	out := []*palettev1.MeasureWidthsRequest{
		{Part: &palettev1.MeasureWidthsRequest_Header{Header: &palettev1.WidthsHeader{Condition: condition, Labels: labels, RowCount: int64(rows), Seed: 3}}},
	}
	const chunk = 10_000
	var c *columnsv1.ColourColumns
	for i := range rows {
		if i%chunk == 0 {
			c = &columnsv1.ColourColumns{}
			out = append(out, &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
		}
		c.ReadingId = append(c.ReadingId, fmt.Sprintf("%08d", i))
		c.Group, c.Stratum = append(c.Group, uint32(i/cells%groups)), append(c.Stratum, uint32(i/cells/groups))
		c.Block, c.Cell = append(c.Block, 0), append(c.Cell, uint32(i%cells))
		c.L, c.A, c.B = append(c.L, 20+float64(i*37%601)/10), append(c.A, float64(i*53%701)/10-35), append(c.B, float64(i*71%797)/10-30)
	}
	return out
}

// mostMemory is the most that a process has held, in MiB.
func mostMemory(t *testing.T, pid int) int {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	_, after, found := strings.Cut(string(text), "VmHWM:")
	require.True(t, found)
	kB, err := strconv.Atoi(strings.Fields(after)[0])
	require.NoError(t, err)
	return kB >> 10
}

// No question ends the module: of 400 groups that meet in 50 strata, 3,990,000 times, each pair is answered, and what no message would hold is refused in
// words, before the work where that can be known. A module that keeps all meetings ends at the first of these.
func TestManyGroupsUnderTheLimitOfMemory(t *testing.T) {
	p := held(t)
	ask := func(parts []*palettev1.MeasureWidthsRequest) (*palettev1.MeasureWidthsResponse, error) {
		return moduletest.Ask(t.Context(), func(ctx context.Context) (palettev1.PaletteService_MeasureWidthsClient, error) {
			return palettev1.NewPaletteServiceClient(p.Conn()).MeasureWidths(ctx)
		}, parts...)
	}
	got, err := ask(everywhere(400, 50, 2))
	require.NoError(t, err)
	assert.Len(t, got.GetGroups(), 400*50)
	require.Len(t, got.GetPairs(), 400*399/2)
	for _, pair := range got.GetPairs() {
		require.Equal(t, []int32{50, 100, 100}, []int32{pair.GetStrata(), pair.GetCellsA(), pair.GetCellsB()})
		require.NotNil(t, pair.MeanShadeDifference)
	}
	t.Logf("%d MiB at most", mostMemory(t, p.PID()))

	const words = ` palettes of 500 groups: the answer about them and 124750 pairs of groups takes `
	const end = ` the 16777216 bytes of a message`
	for _, c := range []struct {
		strata int
		want   string
	}{
		{540, "hold at least 270000" + words + "more than" + end},
		{700, "hold at least 299594" + words + "at least 17525764, more than" + end},
	} {
		_, err = ask(everywhere(500, c.strata, 1))
		assert.Equal(t, map[string]string{"header.labels.strata": c.want}, moduletest.TooMuch(t, err))
	}
	assert.Less(t, mostMemory(t, p.PID()), 400, "MiB")
	require.NoError(t, p.Healthy(t.Context()))
}
