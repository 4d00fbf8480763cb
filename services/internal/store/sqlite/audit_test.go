package sqlite

import (
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
)

// storeWithTrail has more audit entries than VerifyAudit takes at a time.
func storeWithTrail(t *testing.T) (folder string) {
	folder = t.TempDir()
	s := openIn(t, folder, Config{})
	storetest.AddMembers(t, s)
	for n := range verifyPage + 20 {
		if n%100 == 0 {
			require.NoError(t, submit(s, storetest.NewSample("ann")))
			continue
		}
		require.NoError(t, submit(s, storetest.NewSmallSample("ann")))
	}
	require.NoError(t, s.CreateToken(t.Context(), storetest.By("bo"), store.TokenRow{ID: "t1", Member: "bo", CreatedAt: time.Now()}))
	_, err := s.VerifyAudit(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.Close())
	return folder
}

// Whatever is done to the trail, or to the feed that it stands for, is noticed; but for what it can't know, it is not.
func TestAuditTampering(t *testing.T) {
	folder := storeWithTrail(t)
	path := filepath.Join(folder, "records.db")
	db, err := sql.Open("sqlite", dsn(path, forWriting))
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	defer func() { assert.NoError(t, db.Close()) }()
	r, err := OpenReadOnly(t.Context(), path)
	require.NoError(t, err)
	defer func() { assert.NoError(t, r.Close()) }()

	for text, damage := range map[string]string{
		"entry 7 isn't what was written #1": `UPDATE audit SET at = at + 1 WHERE seq = 7`,
		"entry 7 isn't what was written #2": `UPDATE audit SET reason = 'because' WHERE seq = 7`,
		"entry 7 isn't what was written #3": `UPDATE audit SET method = '/lab/Other' WHERE seq = 7`,
		"entry 7 isn't what was written #4": `UPDATE audit SET token = '' WHERE seq = 7`,
		"entry 7 isn't what was written #5": `UPDATE audit SET request_hash = zeroblob(32) WHERE seq = 7`,
		"entry 7 isn't what was written #6": `UPDATE audit SET subjects = subjects || char(10) WHERE seq = 7`,
		"entry 7 isn't what was written #7": `UPDATE audit SET chain = zeroblob(32) WHERE seq = 7`,
		"entry 7 isn't what was written #8": `UPDATE audit SET actor_hash = zeroblob(32) WHERE seq = 7`,
		"entry 7 isn't what was written #9": `UPDATE audit SET token = substr(token, 1, 8), method = substr(token, 9) || method WHERE seq = 7`,
		"entry 7 has another actor than":    `UPDATE audit SET actor = 'bo' WHERE seq = 7`,
		"after entry 6 comes 8":             `DELETE FROM audit WHERE seq = 7`,
		"after entry 504 comes 506":         `DELETE FROM audit WHERE seq = 505`,
		"it ends at revision 519":           `DELETE FROM audit WHERE seq >= 523`,
		"it ends at revision 0":             `DELETE FROM audit`,
		"it ends at revision 520":           `UPDATE counters SET revision = 521`,
		"another actor than the feed":       `UPDATE feed SET by_member = 'cai' WHERE revision = 4`,
		"names other records #1":            `DELETE FROM feed WHERE revision = 4`,
		"names other records #2":            `UPDATE feed SET record_kind = 'water' WHERE revision = 4`,
		"names other records #3":            `UPDATE feed SET place = 5 - place WHERE revision = 101`,
		"goes on to revision 600":           `INSERT INTO feed SELECT 600, place, kind, record_kind, record_id, by_member, at FROM feed WHERE revision = 4`,
		"after entry 0 comes":               `DELETE FROM audit WHERE seq < 4`,
	} {
		tx, err := db.BeginTx(t.Context(), nil)
		require.NoError(t, err)
		_, err = tx.ExecContext(t.Context(), `CREATE TABLE audit_kept AS SELECT * FROM audit; CREATE TABLE feed_kept AS SELECT * FROM feed`)
		require.NoError(t, err)
		_, err = tx.ExecContext(t.Context(), damage)
		require.NoError(t, err)
		require.NoError(t, tx.Commit())
		_, err = r.VerifyAudit(t.Context())
		if assert.ErrorIs(t, err, ErrAuditBroken, damage) {
			want, _, _ := strings.Cut(text, " #")
			assert.ErrorContains(t, err, want, damage)
		}
		_, err = db.ExecContext(t.Context(), `DELETE FROM audit; INSERT INTO audit SELECT * FROM audit_kept; DROP TABLE audit_kept;
			DELETE FROM feed; INSERT INTO feed SELECT * FROM feed_kept; DROP TABLE feed_kept; UPDATE counters SET revision = 520`)
		require.NoError(t, err)
		_, err = r.VerifyAudit(t.Context())
		require.NoError(t, err, "put right again")
	}

	// A member's name can be erased, and the chain holds.
	_, err = db.ExecContext(t.Context(), `UPDATE audit SET actor = NULL, actor_salt = NULL WHERE actor = 'ann'`)
	require.NoError(t, err)
	head, err := r.VerifyAudit(t.Context())
	require.NoError(t, err)
	assert.Equal(t, int64(524), head.Sequence)
	rows, err := r.AuditEntries(t.Context(), store.AuditQuery{After: 3, Limit: 1})
	require.NoError(t, err)
	assert.Empty(t, rows[0].Actor.Member)
	// A trail of which the end was cut together with the records is what it says: an earlier one. Its head tells.
	_, err = db.ExecContext(t.Context(), `DELETE FROM audit WHERE seq > 100; DELETE FROM feed WHERE revision > 97; UPDATE counters SET revision = 97`)
	require.NoError(t, err)
	cut, err := r.VerifyAudit(t.Context())
	require.NoError(t, err)
	assert.NotEqual(t, head.Chain, cut.Chain)
}

// TestChainByHand makes the chain of the first entry from its parts, so that a change of the encoding shows.
func TestChainByHand(t *testing.T) {
	number := func(n int) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }
	text := func(s string) []byte { return append(number(len(s)), s...) }
	e := auditEntry{
		sequence: 1, at: 2, actorHash: [32]byte{3}, token: "t", method: "/m", revision: 4, subjects: "trial x\nbath y", requestHash: make([]byte, 32), reason: "r",
	}
	var all []byte
	for _, part := range [][]byte{
		text("commonvat audit 1"), text(string(make([]byte, 32))), number(1), number(2), text("\x03" + string(make([]byte, 31))),
		text("t"), text("/m"), number(4), text("trial x\nbath y"), text(string(make([]byte, 32))), text("r"),
	} {
		all = append(all, part...)
	}
	assert.Equal(t, sha256.Sum256(all), e.chain([32]byte{}))
	other := e
	other.requestHash = nil
	assert.NotEqual(t, e.chain([32]byte{}), other.chain([32]byte{}), "no request is not a request of zeroes")
}
