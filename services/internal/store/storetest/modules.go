package storetest

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
)

// moduleChoices: a name has one choice, a kind at most one default, and each choice its line in the audit trail.
func moduleChoices(t *testing.T, b *bench) {
	ctx := t.Context()
	by := By(ann)
	choice := func(name, digit string) store.ModuleChoice {
		return store.ModuleChoice{Name: name, Kind: "palette", Digest: strings.Repeat(digit, 64), At: now, By: ann}
	}
	none, err := b.ModuleChoices(ctx)
	require.NoError(t, err)
	assert.Empty(t, none)
	wide := choice("wide", "1")
	wide.Default = true
	require.NoError(t, b.ChooseModule(ctx, by, wide, "activated", "better"))
	hue := choice("hue", "2")
	require.NoError(t, b.ChooseModule(ctx, by, hue, "activated", ""))
	hue.Default, hue.Previous, hue.Digest = true, hue.Digest, strings.Repeat("3", 64)
	require.NoError(t, b.ChooseModule(ctx, by, hue, "default", ""))
	wide.Default = false
	all, err := b.ModuleChoices(ctx)
	require.NoError(t, err)
	require.Len(t, all, 2)
	for i := range all {
		assert.WithinDuration(t, now, all[i].At, time.Microsecond)
		all[i].At = wide.At
	}
	hue.At = wide.At
	assert.Equal(t, []store.ModuleChoice{hue, wide}, all)
	wide.Retired, wide.Default = true, true
	require.Error(t, b.ChooseModule(ctx, by, wide, "retired", ""), "what is retired answers for nothing")
	short := choice("short", "1")
	short.Digest = "1"
	require.Error(t, b.ChooseModule(ctx, by, short, "activated", ""))
	again, err := b.ModuleChoices(ctx)
	require.NoError(t, err)
	assert.Len(t, again, 2, "what was refused left nothing")
	head, err := b.AuditHead(ctx)
	require.NoError(t, err)
	entries, err := b.AuditEntries(ctx, store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	last := entries[len(entries)-1]
	assert.Equal(t, head.Sequence, last.Sequence)
	assert.Equal(t, []string{"module hue default " + hue.Digest}, last.Subjects)
	assert.Equal(t, []string{"module wide activated " + wide.Digest}, entries[len(entries)-3].Subjects)
	assert.Equal(t, "better", entries[len(entries)-3].Reason)
}
