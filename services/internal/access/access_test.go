package access

import (
	"context"
	"hash/crc32"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestTokenForm(t *testing.T) {
	made, text, err := newToken()
	require.NoError(t, err)
	assert.Regexp(t, `^cvat_[a-z2-7]{16}_[a-z2-7]{52}_[0-9a-f]{8}$`, text)
	parsed, err := parseToken(text)
	require.NoError(t, err)
	assert.Equal(t, made, parsed)
	// The checksum is CRC-32 as in IEEE 802.3; the check value of "123456789" is cbf43926 (from memory: the usual one).
	assert.Equal(t, "cbf43926", checksum("123456789"))
	assert.Equal(t, crc32.ChecksumIEEE([]byte(text[:len(text)-9])), mustHex(t, text[len(text)-8:]))
	_, other, err := newToken()
	require.NoError(t, err)
	assert.NotEqual(t, text, other)
}

func mustHex(t *testing.T, text string) uint32 {
	t.Helper()
	value, err := strconv.ParseUint(text, 16, 32)
	require.NoError(t, err)
	return uint32(value)
}

// Whatever single letter is mistyped, the checksum tells.
func TestMistypedTokenIsMalformed(t *testing.T) {
	_, text, err := newToken()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.IntRange(0, len(text)-1).Draw(t, "at")
		with := rapid.SampledFrom([]byte("abcdefghijklmnopqrstuvwxyz234567_ 089ABC\x00")).Draw(t, "with")
		if text[at] != with {
			_, err := parseToken(text[:at] + string(with) + text[at+1:])
			require.ErrorIs(t, err, errMalformedToken)
		}
	})
}

func FuzzParseToken(f *testing.F) {
	_, text, err := newToken()
	require.NoError(f, err)
	for _, seed := range []string{text, "", "cvat_", "cvat___", strings.Repeat("_", 100), text + text} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		parsed, err := parseToken(text)
		if err != nil {
			assert.Equal(t, token{}, parsed)
			return
		}
		assert.True(t, validTokenID(parsed.id))
		assert.True(t, strings.HasPrefix(text, "cvat_"+parsed.id+"_"))
	})
}

// clock is a time that tests set.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// counting counts the look-ups in the store.
type counting struct {
	store.MemberStore
	tokens int
	before func() // called once, before a token is handed out

	mu      sync.Mutex
	touches []map[string]time.Time
	refuse  error // what keeping uses gives
}

func (s *counting) TouchTokens(ctx context.Context, used map[string]time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil {
		return s.refuse
	}
	s.touches = append(s.touches, used)
	return s.MemberStore.TouchTokens(ctx, used)
}

func (s *counting) touched() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.touches)
}

func (s *counting) Token(ctx context.Context, id string) (store.TokenRow, error) {
	s.tokens++
	row, err := s.MemberStore.Token(ctx, id)
	if before := s.before; before != nil {
		s.before = nil
		before()
	}
	return row, err
}

// onServer is who changes members and tokens in these tests.
var onServer = store.Actor{Member: store.Server, Method: "test"}

func setup(t *testing.T) (*Registry, *counting, *clock) {
	t.Helper()
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, records.Close()) })
	at := &clock{now: time.Date(2031, 5, 1, 12, 0, 0, 0, time.UTC)}
	counted := &counting{MemberStore: records}
	registry := New(counted, at.Now)
	for id, roles := range map[string][]string{"ada": {"member"}, "stella": {"steward"}} {
		_, err := registry.CreateMember(t.Context(), onServer, store.MemberRow{ID: id, DisplayName: id, Roles: roles})
		require.NoError(t, err)
	}
	return registry, counted, at
}

func TestTokenLife(t *testing.T) {
	registry, counted, at := setup(t)
	id, text, err := registry.IssueToken(t.Context(), onServer, "ada", "phone", at.now.Add(time.Hour))
	require.NoError(t, err)
	for range 3 {
		caller, err := registry.Authenticate(t.Context(), text)
		require.NoError(t, err)
		assert.Equal(t, Caller{ID: "ada", DisplayName: "ada", Roles: []Role{Member}, TokenID: id}, caller)
	}
	assert.Equal(t, 1, counted.tokens, "later calls need no look into the store")
	row, err := counted.MemberStore.Token(t.Context(), id)
	require.NoError(t, err)
	assert.NotContains(t, text, string(row.SecretHash[:]), "the secret isn't kept")

	at.pass(time.Hour)
	_, err = registry.Authenticate(t.Context(), text)
	require.ErrorIs(t, err, ErrUnauthenticated, "at its end a token is at its end")

	_, _, err = registry.IssueToken(t.Context(), onServer, "ada", "", at.Now())
	require.ErrorIs(t, err, trial.ErrInvalid)
	_, _, err = registry.IssueToken(t.Context(), onServer, "nobody", "", time.Time{})
	require.ErrorIs(t, err, trial.ErrNotFound)
}

func TestSecretOfAnotherTokenIsRefused(t *testing.T) {
	registry, _, _ := setup(t)
	id, _, err := registry.IssueToken(t.Context(), onServer, "ada", "", time.Time{})
	require.NoError(t, err)
	_, other, err := registry.IssueToken(t.Context(), onServer, "stella", "", time.Time{})
	require.NoError(t, err)
	// ada's public id with stella's secret and a right checksum.
	body := "cvat_" + id + "_" + strings.Split(other, "_")[2]
	_, err = registry.Authenticate(t.Context(), body+"_"+checksum(body))
	require.ErrorIs(t, err, ErrUnauthenticated)
	unknown, text, err := newToken()
	require.NoError(t, err)
	_, err = registry.Authenticate(t.Context(), text)
	require.ErrorIs(t, err, ErrUnauthenticated)
	assert.NotContains(t, err.Error(), unknown.id)
}

func TestRevocation(t *testing.T) {
	registry, _, _ := setup(t)
	id, text, err := registry.IssueToken(t.Context(), onServer, "ada", "", time.Time{})
	require.NoError(t, err)
	ada, err := registry.Authenticate(t.Context(), text)
	require.NoError(t, err)
	require.ErrorIs(t, registry.RevokeToken(t.Context(), onServer, Caller{ID: "bo", Roles: []Role{Member, Coordinator}}, id), trial.ErrNotFound)
	require.ErrorIs(t, registry.RevokeToken(t.Context(), onServer, ada, "aaaaaaaaaaaaaaaa"), trial.ErrNotFound)
	require.ErrorIs(t, registry.RevokeToken(t.Context(), onServer, ada, "'; --"), trial.ErrNotFound)
	require.NoError(t, registry.RevokeToken(t.Context(), onServer, Caller{ID: "stella", Roles: []Role{Steward}}, id))
	_, err = registry.Authenticate(t.Context(), text)
	require.ErrorIs(t, err, ErrUnauthenticated)
	require.NoError(t, registry.RevokeToken(t.Context(), onServer, ada, id), "a second time changes nothing")
}

// A look-up that was under way when the token was revoked must not be remembered afterwards.
func TestRevocationDuringLookUp(t *testing.T) {
	registry, counted, _ := setup(t)
	id, text, err := registry.IssueToken(t.Context(), onServer, "ada", "", time.Time{})
	require.NoError(t, err)
	counted.before = func() {
		assert.NoError(t, registry.RevokeToken(t.Context(), onServer, Caller{ID: "ada"}, id))
	}
	_, err = registry.Authenticate(t.Context(), text)
	require.NoError(t, err, "this call came first")
	_, err = registry.Authenticate(t.Context(), text)
	require.ErrorIs(t, err, ErrUnauthenticated)
}

func TestCreateMemberTellsAllFaults(t *testing.T) {
	registry, _, _ := setup(t)
	_, err := registry.CreateMember(t.Context(), onServer, store.MemberRow{ID: "Ada!", Roles: []string{"member", "member", "king"}})
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	var fields []string
	for _, fault := range faults {
		fields = append(fields, fault.Field)
	}
	assert.Equal(t, []string{"member.id", "member.display_name", "member.roles[1]", "member.roles[2]"}, fields)
	_, err = registry.CreateMember(t.Context(), onServer, store.MemberRow{ID: "ada", DisplayName: "x", Roles: []string{"member"}})
	require.ErrorIs(t, err, trial.ErrExists)
	_, err = registry.CreateMember(t.Context(), onServer, store.MemberRow{ID: "server", DisplayName: "x", Roles: []string{"member"}})
	require.ErrorContains(t, err, "stands for the server itself")
}

func TestViews(t *testing.T) {
	for _, c := range []struct {
		level  trial.SharingLevel
		member string
		want   View
	}{
		{trial.Mine, "ada", All}, {trial.Mine, "bo", Nothing}, {trial.Mine, "holder", HeldParts}, {trial.Mine, "", Nothing},
		{trial.Cooperative, "bo", All}, {trial.Cooperative, "holder", All}, {trial.Public, "bo", All}, {trial.Public, "", Nothing},
		{0, "bo", Nothing},
	} {
		row := store.TrialRow{Owner: "ada", Sharing: c.level, Holders: []string{"holder"}}
		assert.Equal(t, c.want, ViewOfTrial(row, c.member), "%+v", c)
	}
	deleted := store.TrialRow{Owner: "ada", Sharing: trial.Public, Holders: []string{"holder"}, Deleted: true}
	for member, want := range map[string]View{"ada": All, "bo": Nothing, "holder": Nothing, "": Nothing} {
		assert.Equal(t, want, ViewOfTrial(deleted, member), "a deleted trial seen by %q", member)
	}
	bath := store.BathRow{Owner: "ada", Sharing: trial.Mine}
	assert.True(t, MayReadBath(bath, "ada", false))
	assert.False(t, MayReadBath(bath, "bo", false))
	assert.True(t, MayReadBath(bath, "bo", true))
	assert.False(t, MayReadBath(bath, "", true))
	bath.OpenToMembers = true
	assert.True(t, MayReadBath(bath, "bo", false))
	bath.Deleted = true
	assert.False(t, MayReadBath(bath, "bo", true))
	assert.True(t, MayReadBath(bath, "ada", false))
}

func TestDefaultIsDeny(t *testing.T) {
	everything := Caller{ID: "stella", Roles: Roles}
	require.ErrorIs(t, MayCall(everything, "/no.Such/Method"), trial.ErrForbidden)
	require.ErrorIs(t, MayCall(everything, ""), trial.ErrForbidden)
	// grpc-go hands over the registered name; one without its slash is nobody's (GO-2026-4762).
	require.ErrorIs(t, MayCall(everything, "commonvat.lab.v1.TrialService/GetTrial"), trial.ErrForbidden)
	require.ErrorIs(t, MayCall(Caller{}, "/commonvat.lab.v1.TrialService/GetTrial"), ErrUnauthenticated)
	assert.True(t, NeedsToken("/no.Such/Method"))
}
