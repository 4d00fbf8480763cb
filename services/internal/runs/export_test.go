package runs_test

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
)

func (l *lab) export(by poolv1.GroupBy) (summary *catalogv1.ExportSummary, messages []*palettev2.ScorePalettesRequest, text string) {
	request := &catalogv1.ExportPoolRequest{Question: &catalogv1.RunQuestion{GroupBy: by}, Reason: "for work at home"}
	require.NoError(l.t, l.Export(l.t.Context(), rosa, request, func(part *catalogv1.ExportPoolResponse) error {
		text += part.String()
		if part.GetSummary() != nil {
			summary = part.GetSummary()
		} else {
			messages = append(messages, part.GetMessage())
		}
		return nil
	}))
	return summary, messages, text
}

// An export says the same of every group as the pool itself does, and names no reading, session, cell, stratum or trial by what it is called.
func TestExportIsPseudonymous(t *testing.T) {
	l := begin(t)
	m := l.shelf.put(t, spread("old", 1), "a")
	c := l.cupboard.freeze.Columns
	summary, messages, text := l.export(poolv1.GroupBy_GROUP_BY_MORDANT)
	assert.EqualValues(t, 480, summary.GetRows())
	for _, secret := range append(append([]string{"s1", "y | z", "cell 1\"", "-0000-7000-8000-"}, l.trials...), "ann") {
		assert.NotContains(t, text, secret)
	}
	assert.Contains(t, text, "group 03")
	header := messages[0].GetHeader()
	assert.Equal(t, "", header.GetLabels().GetBlocks()[0], "no session stays none")
	assert.True(t, strings.HasPrefix(header.GetLabels().GetBlocks()[1], "session "))
	assert.EqualValues(t, 1, header.GetSeed())

	// What a module says of it, asked as the file has it.
	stream, err := palettev2.NewPaletteServiceClient(m).ScorePalettes(t.Context())
	require.NoError(t, err)
	for _, message := range messages {
		require.NoError(t, stream.Send(message))
	}
	require.NoError(t, stream.CloseSend())
	got, err := stream.Recv()
	require.NoError(t, err)
	_, err = stream.Recv()
	require.ErrorIs(t, err, io.EOF)
	values := map[string]bool{}
	for _, g := range got.GetGroups() {
		values[fmt.Sprintf("%s %.9f", header.GetLabels().GetGroups()[g.GetGroup()], g.GetScores()[0].GetValue())] = true
	}
	whole, err := pipeline.New(l.shelf).ScorePalettes(t.Context(), "old", pipeline.ScoresQuestion{Condition: c.Condition, Labels: c.Labels, Rows: c.Rows, Seed: 1})
	require.NoError(t, err)
	for _, g := range whole.Groups {
		assert.True(t, values[fmt.Sprintf("%s %.9f", c.Labels.Groups[g.GetGroup()], g.GetScores()[0].GetValue())])
	}

	_, again, _ := l.export(poolv1.GroupBy_GROUP_BY_MORDANT)
	assert.NotEqual(t, header.GetLabels().GetBlocks()[1], again[0].GetHeader().GetLabels().GetBlocks()[1], "other names in each export")
	_, _, text = l.export(poolv1.GroupBy_GROUP_BY_WATER)
	assert.NotContains(t, text, "group 03", "waters may be called by whose they are")
	entries, err := l.store.AuditEntries(t.Context(), store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	last := entries[len(entries)-1]
	assert.Equal(t, []string{"pool export of 480 rows by GROUP_BY_WATER"}, last.Subjects)
	assert.Equal(t, []any{"ann", "for work at home"}, []any{last.Actor.Member, last.Reason})
}
