package access

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// lastUse is when a token was last used, as its member is told.
func lastUse(t *testing.T, registry *Registry, member, id string) time.Time {
	t.Helper()
	rows, err := registry.Tokens(t.Context(), Caller{ID: member}, member)
	require.NoError(t, err)
	for _, row := range rows {
		if row.ID == id {
			return row.LastUsedAt
		}
	}
	t.Fatalf("no token %s among %v", id, rows)
	return time.Time{}
}

func TestLastUses(t *testing.T) {
	registry, counted, at := setup(t)
	registry.uses.after = time.Hour // it is due when this test says so
	id, text, err := registry.IssueToken(t.Context(), onServer, "ada", "phone", time.Time{})
	require.NoError(t, err)
	unused, _, err := registry.IssueToken(t.Context(), onServer, "ada", "desk", time.Time{})
	require.NoError(t, err)
	use := func() {
		t.Helper()
		_, err := registry.Authenticate(t.Context(), text)
		require.NoError(t, err)
	}
	noon := at.Now()
	at.pass(20 * time.Second)
	use()
	assert.Equal(t, 0, counted.touched(), "not on the way of a call")
	assert.True(t, lastUse(t, registry, "ada", id).Equal(noon), "to the hour, and told before it is kept")
	assert.True(t, lastUse(t, registry, "ada", unused).IsZero())

	registry.uses.due()
	assert.Equal(t, 1, counted.touched())
	for range 50 {
		at.pass(time.Minute / 2)
		use()
		registry.uses.due()
	}
	assert.Equal(t, 1, counted.touched(), "once an hour")

	// What couldn't be kept waits, and is kept at the end.
	at.pass(time.Hour)
	counted.mu.Lock()
	counted.refuse = errors.New("disk full")
	counted.mu.Unlock()
	use()
	registry.uses.due()
	assert.NotNil(t, registry.uses.timer, "it is tried again")
	assert.True(t, lastUse(t, registry, "ada", id).Equal(noon.Add(time.Hour)))
	counted.mu.Lock()
	counted.refuse = nil
	counted.mu.Unlock()
	require.NoError(t, registry.Close(t.Context()))
	assert.Equal(t, 2, counted.touched())
	row, err := counted.MemberStore.Token(t.Context(), id)
	require.NoError(t, err)
	assert.True(t, row.LastUsedAt.Equal(noon.Add(time.Hour)), "%v", row.LastUsedAt)
	require.Error(t, registry.Close(t.Context()))

	// After a restart the same hour isn't noted again.
	again := New(counted, at.Now)
	_, err = again.Authenticate(t.Context(), text)
	require.NoError(t, err)
	require.NoError(t, again.Close(t.Context()))
	assert.Equal(t, 2, counted.touched())
}

// The last call of a day is followed by none that could have its use kept.
func TestAUseIsKeptWithoutAnother(t *testing.T) {
	registry, counted, at := setup(t)
	registry.uses.after = time.Millisecond
	id, text, err := registry.IssueToken(t.Context(), onServer, "ada", "phone", time.Time{})
	require.NoError(t, err)
	_, err = registry.Authenticate(t.Context(), text)
	require.NoError(t, err)
	require.Eventually(t, func() bool { return counted.touched() == 1 }, time.Minute, time.Millisecond)
	row, err := counted.MemberStore.Token(t.Context(), id)
	require.NoError(t, err)
	assert.True(t, row.LastUsedAt.Equal(at.Now().UTC().Truncate(time.Hour)), "%v", row.LastUsedAt)
	require.NoError(t, registry.Close(t.Context()))
	assert.Equal(t, 1, counted.touched())
}

func TestTokensAreForTheirMemberAndStewards(t *testing.T) {
	registry, _, _ := setup(t)
	_, err := registry.Tokens(t.Context(), Caller{ID: "ada", Roles: []Role{Coordinator, Researcher}}, "stella")
	require.ErrorIs(t, err, trial.ErrForbidden)
	_, err = registry.Tokens(t.Context(), Caller{ID: "ada"}, "nobody")
	require.ErrorIs(t, err, trial.ErrForbidden, "whether there is such a member is not told")
	steward := Caller{ID: "stella", Roles: []Role{Steward}}
	_, err = registry.Tokens(t.Context(), steward, "nobody")
	require.ErrorIs(t, err, trial.ErrNotFound)
	rows, err := registry.Tokens(t.Context(), steward, "ada")
	require.NoError(t, err)
	assert.Empty(t, rows)
}
