package storetest

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
)

// packs: of a module and name at most one is in force, and each change has its line in the audit trail.
func packs(t *testing.T, b *bench) {
	ctx := t.Context()
	by := By(ann)
	row := func(module, name, digit string, minutes int) store.PackRow {
		return store.PackRow{
			Module: module, Kind: "safety", Digest: strings.Repeat(digit, 64), Name: name, Version: digit + ".0.0", Bytes: 12, InForce: true,
			At: now.Add(time.Duration(minutes) * time.Minute), By: ann,
		}
	}
	none, err := b.Packs(ctx)
	require.NoError(t, err)
	assert.Empty(t, none)
	first := row("rules", "craft", "1", 0)
	first.Own = true
	require.NoError(t, b.PutPack(ctx, by, first, "came with the module", ""))
	second := row("rules", "craft", "2", 1)
	require.NoError(t, b.PutPack(ctx, by, second, "added", "stricter"))
	third := row("rules", "house", "3", 2)
	require.NoError(t, b.PutPack(ctx, by, third, "added", ""))
	other := row("others", "craft", "1", 3) // the same content for another module
	require.NoError(t, b.PutPack(ctx, by, other, "added", ""))

	first.InForce, first.At = false, second.At // it was replaced then
	all, err := b.Packs(ctx)
	require.NoError(t, err)
	want := []store.PackRow{other, first, second, third}
	require.Len(t, all, len(want))
	for i := range all {
		assert.WithinDuration(t, want[i].At, all[i].At, time.Microsecond)
		all[i].At = want[i].At
	}
	assert.ElementsMatch(t, want, all)

	third.InForce, third.At = false, now.Add(time.Hour)
	require.NoError(t, b.PutPack(ctx, by, third, "retired", "was wrong"))
	short := row("rules", "short", "4", 5)
	short.Digest = "4"
	require.Error(t, b.PutPack(ctx, by, short, "added", ""))
	unnamed := row("rules", "", "5", 5)
	require.Error(t, b.PutPack(ctx, by, unnamed, "added", ""))
	all, err = b.Packs(ctx)
	require.NoError(t, err)
	require.Len(t, all, 4, "what was refused left nothing")
	for _, p := range all {
		assert.Equal(t, p.Digest == second.Digest || p.Module == "others", p.InForce, p)
	}
	entries, err := b.AuditEntries(ctx, store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	last := entries[len(entries)-1]
	assert.Equal(t, []string{"pack rules retired " + third.Digest}, last.Subjects)
	assert.Equal(t, "was wrong", last.Reason)
}
