// Package ids makes the version 7 UUIDs (RFC 9562 section 5.7) by which this
// client names what it writes. All ids of one request can be derived from one
// seed, so that the same request can be built again byte for byte and sent again safely.
package ids

import (
	"crypto/sha256"
	"fmt"

	"github.com/google/uuid"
)

// New makes a fresh id.
func New() (string, error) {
	id, err := uuid.NewV7()
	if err != nil {
		return "", fmt.Errorf("make an id: %w", err)
	}
	return id.String(), nil
}

// Check refuses what is not a version 7 UUID in its 36-character lower-case form.
func Check(text string) error {
	id, err := uuid.Parse(text)
	if err != nil || id.String() != text || id.Version() != 7 || id.Variant() != uuid.RFC4122 {
		return fmt.Errorf("%q is not a version 7 UUID in lower case, such as 01890a5d-ac96-774b-bcce-b302099a8057", text)
	}
	return nil
}

// Is tells whether the text is any UUID in its 36-character lower-case form.
func Is(text string) bool {
	id, err := uuid.Parse(text)
	return err == nil && id.String() == text
}

// Derive makes the id of a named part of what seed stands for. It has the
// seed's time, and its random bits are a SHA-256 of the seed and the parts, so
// that the same names give the same ids. seed must have passed Check.
func Derive(seed string, parts ...string) string {
	base := uuid.MustParse(seed)
	h := sha256.New()
	h.Write([]byte("commonvat client id\x00"))
	h.Write(base[:])
	for _, p := range parts {
		_, _ = fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	var id uuid.UUID
	copy(id[:], h.Sum(nil))
	copy(id[:6], base[:6])
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}
