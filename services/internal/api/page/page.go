// Package page makes and reads page tokens (AIP-158). A token says after which id a
// list goes on. It is opaque, sealed against change, and bound to the query that it came from; it grants
// nothing, since what a page shows is decided anew each time.
package page

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"strings"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// The sizes of a page.
const (
	DefaultSize = 50
	MaxSize     = 200
)

// Size is the number of rows for a requested page_size: 0 means DefaultSize, and more than MaxSize means MaxSize.
func Size(requested int32) int {
	if requested <= 0 {
		return DefaultSize
	}
	return min(int(requested), MaxSize)
}

const (
	sealLength = 16
	maxLastID  = 64
)

// Tokens makes and reads tokens. Its key is drawn anew each time the core starts, so a
// token doesn't outlive the process: the list is then read again from its beginning.
type Tokens struct{ key [32]byte }

// NewTokens draws a key.
func NewTokens() (*Tokens, error) {
	t := &Tokens{}
	if _, err := rand.Read(t.key[:]); err != nil {
		return nil, fmt.Errorf("draw page key: %w", err)
	}
	return t, nil
}

// seal binds a last id to a query. The parts are told apart by their hash lengths, not by a separator.
func (t *Tokens) seal(lastID string, query []string) []byte {
	mac := hmac.New(sha256.New, t.key[:])
	for _, part := range append([]string{lastID}, query...) {
		sum := sha256.Sum256([]byte(part))
		mac.Write(sum[:])
	}
	return mac.Sum(nil)[:sealLength]
}

// Next is the token of the page after lastID, for a query: the method, the caller and the filter.
func (t *Tokens) Next(lastID string, query ...string) string {
	return base64.RawURLEncoding.EncodeToString(append(t.seal(lastID, query), lastID...))
}

// Read gives the id after which the page begins; "" for the first page. Error: trial.FieldFault of page_token.
func (t *Tokens) Read(token string, query ...string) (lastID string, err error) {
	if token == "" {
		return "", nil
	}
	const allowed = "allowed: next_page_token of the answer before, with all else as it was; or empty, to begin again"
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || strings.ContainsAny(token, "\r\n") || len(raw) <= sealLength || len(raw) > sealLength+maxLastID {
		return "", &trial.FieldFault{Field: "page_token", Text: "is malformed; " + allowed}
	}
	lastID = string(raw[sealLength:])
	if !hmac.Equal(raw[:sealLength], t.seal(lastID, query)) {
		return "", &trial.FieldFault{Field: "page_token", Text: "is of another list, or of before the core was started; " + allowed}
	}
	return lastID, nil
}
