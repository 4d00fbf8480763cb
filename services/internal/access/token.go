package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"
)

// A token reads cvat_<public id>_<secret>_<checksum>. The public id (80 random bits) finds the
// row, the secret (256 random bits) proves it, and the checksum (CRC-32 of all before it) tells a mistyped token from an
// unknown one without a look into the store. All three are lower-case letters and digits, so that a
// token is one word to select with a double click.
const (
	tokenPrefix  = "cvat"
	publicBytes  = 10
	secretBytes  = 32
	publicLength = 16 // base32 of publicBytes
	secretLength = 52 // base32 of secretBytes
	sumLength    = 8  // hexadecimal CRC-32
)

var tokenText = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// errMalformedToken: the text isn't a token of ours, or was mistyped. It never carries the text.
var errMalformedToken = errors.New("malformed token")

// token is a token taken apart.
type token struct {
	id   string   // the public id
	hash [32]byte // SHA-256 of the secret
}

// newToken makes a token and its text, which is shown once.
func newToken() (token, string, error) {
	var random [publicBytes + secretBytes]byte
	if _, err := rand.Read(random[:]); err != nil {
		return token{}, "", fmt.Errorf("draw token: %w", err)
	}
	id := tokenText.EncodeToString(random[:publicBytes])
	secret := random[publicBytes:]
	body := strings.Join([]string{tokenPrefix, id, tokenText.EncodeToString(secret)}, "_")
	// A fast hash is right here: the secret has 256 bits, so there is nothing to guess through.
	return token{id: id, hash: sha256.Sum256(secret)}, body + "_" + checksum(body), nil
}

// parseToken takes a token apart. Error: errMalformedToken.
func parseToken(text string) (token, error) {
	parts := strings.Split(text, "_")
	if len(parts) != 4 || parts[0] != tokenPrefix || len(parts[1]) != publicLength || len(parts[2]) != secretLength || len(parts[3]) != sumLength {
		return token{}, errMalformedToken
	}
	if checksum(text[:len(text)-sumLength-1]) != parts[3] {
		return token{}, errMalformedToken
	}
	secret, err := tokenText.DecodeString(parts[2])
	if err != nil || len(secret) != secretBytes || !validTokenID(parts[1]) {
		return token{}, errMalformedToken
	}
	return token{id: parts[1], hash: sha256.Sum256(secret)}, nil
}

// WellFormed reports whether text has the form of a token, its checksum included. Anybody can make one that has.
func WellFormed(text string) bool {
	_, err := parseToken(text)
	return err == nil
}

// validTokenID reports whether text has the form of a token's public id.
func validTokenID(text string) bool {
	decoded, err := tokenText.DecodeString(text)
	return err == nil && len(text) == publicLength && len(decoded) == publicBytes
}

func checksum(body string) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE([]byte(body))) }

// sameHash compares in a time that doesn't depend on where they differ.
func sameHash(a, b [32]byte) bool { return subtle.ConstantTimeCompare(a[:], b[:]) == 1 }
