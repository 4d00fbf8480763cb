package sqlite

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
)

// A sheet or workshop of which a bit has flipped is never read, and verify names it.
func TestFlippedBitsOfTheBench(t *testing.T) {
	const plan = "01900000-0000-7000-8000-0000000000a1"
	for table, statement := range map[string]string{
		"bench_sheets": `UPDATE bench_sheets SET body = x'00'`,
		"workshops":    `UPDATE workshops SET revision = 7`,
	} {
		s := openIn(t, t.TempDir(), Config{})
		storetest.AddMembers(t, s)
		ctx := t.Context()
		_, err := s.KeepSheet(ctx, storetest.By("ann"), time.Now(), plan, "planned", "", func(store.SheetKeeping) (*store.SheetRow, error) {
			return &store.SheetRow{Title: "one", Standing: 1, Body: []byte("what was kept")}, nil
		})
		require.NoError(t, err)
		require.NoError(t, s.KeepWorkshop(ctx, storetest.By("ann"), store.WorkshopRow{Member: "ann", Revision: 1, At: time.Now(), Body: []byte("a workshop")}))
		spoil(t, s, statement)
		_, err = s.Sheet(ctx, "ann", plan, 0)
		_, err2 := s.Workshop(ctx, "ann")
		_, err3 := s.Sheets(ctx, "ann", false, "", 10)
		_, err4 := s.KeepSheet(ctx, storetest.By("ann"), time.Now(), plan, "planned", "", func(store.SheetKeeping) (*store.SheetRow, error) { return nil, nil })
		if table == "bench_sheets" {
			require.ErrorIs(t, err, ErrCorrupt)
			require.ErrorIs(t, err3, ErrCorrupt)
			require.Error(t, err4)
			require.NoError(t, err2)
		} else {
			require.ErrorIs(t, err2, ErrCorrupt)
			require.NoError(t, err)
		}
		tx, err := s.read.BeginTx(ctx, nil)
		require.NoError(t, err)
		faults, err := damagedRows(ctx, tx, 10)
		require.NoError(t, tx.Rollback())
		require.NoError(t, err)
		require.Len(t, faults, 1)
		assert.Contains(t, faults[0], table)
		require.NoError(t, s.Close())
	}
}
