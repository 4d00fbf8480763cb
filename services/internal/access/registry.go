package access

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// maxCached bounds the tokens remembered between calls; beyond it the memory is begun anew.
const maxCached = 4096

// Registry keeps members and tokens. It remembers who stands behind the tokens in use, so that a
// call doesn't cost a look into the store. It is safe for concurrent use.
//
// The memory is right as long as this process alone changes members and tokens, which the store's lock ensures.
type Registry struct {
	members store.MemberStore
	now     func() time.Time

	uses *uses

	mu         sync.RWMutex
	known      map[string]*standing // by public id
	generation uint64               // raised by each revocation, so that an older look-up isn't remembered
}

// standing is a token with the member behind it.
type standing struct {
	hash    [32]byte
	expires time.Time
	caller  Caller
	noted   atomic.Int64 // the last use that was noted: hours since 1970
}

// New returns a registry over a store. now may be nil, for the wall clock.
func New(members store.MemberStore, now func() time.Time) *Registry {
	if now == nil {
		now = time.Now
	}
	return &Registry{members: members, now: now, known: make(map[string]*standing), uses: newUses(members.TouchTokens)}
}

// Close keeps when tokens were last used. It is called once, after the last call, and before the store closes.
func (r *Registry) Close(ctx context.Context) error { return r.uses.close(ctx) }

// Authenticate finds the member behind a token. Error: ErrUnauthenticated, and those of the store.
func (r *Registry) Authenticate(ctx context.Context, text string) (Caller, error) {
	given, err := parseToken(text)
	if err != nil {
		return Caller{}, fmt.Errorf("%w: %w", ErrUnauthenticated, err)
	}
	r.mu.RLock()
	found, ok := r.known[given.id]
	generation := r.generation
	r.mu.RUnlock()
	if !ok {
		if found, err = r.lookUp(ctx, given.id); err != nil {
			return Caller{}, err
		}
	}
	// An ended token is told like a wrong one.
	if !sameHash(found.hash, given.hash) || ended(found.expires, r.now()) {
		return Caller{}, ErrUnauthenticated
	}
	if !ok {
		r.remember(given.id, found, generation)
	}
	r.uses.note(found, given.id, r.now())
	return found.caller, nil
}

func (r *Registry) lookUp(ctx context.Context, id string) (*standing, error) {
	row, err := r.members.Token(ctx, id)
	if errors.Is(err, trial.ErrNotFound) {
		return nil, ErrUnauthenticated
	} else if err != nil {
		return nil, fmt.Errorf("read token: %w", err)
	}
	if !row.RevokedAt.IsZero() {
		return nil, ErrUnauthenticated
	}
	member, err := r.members.Member(ctx, row.Member)
	if errors.Is(err, trial.ErrNotFound) {
		return nil, ErrUnauthenticated
	} else if err != nil {
		return nil, fmt.Errorf("read member: %w", err)
	}
	caller := Caller{ID: member.ID, DisplayName: member.DisplayName, TokenID: id}
	for _, name := range member.Roles {
		caller.Roles = append(caller.Roles, Role(name))
	}
	found := &standing{hash: row.SecretHash, expires: row.ExpiresAt, caller: caller}
	if !row.LastUsedAt.IsZero() {
		found.noted.Store(hourOf(row.LastUsedAt))
	}
	return found, nil
}

func (r *Registry) remember(id string, found *standing, generation uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if generation != r.generation {
		return // a token was revoked since this one was looked up; the next call looks again
	}
	if len(r.known) >= maxCached {
		clear(r.known)
	}
	r.known[id] = found
}

// ended reports whether a token that expires at a time (zero: never) is at its end.
func ended(expires, now time.Time) bool { return !expires.IsZero() && !now.Before(expires) }

// reservedID can't be a member's: the audit trail tells by it of what was done by commands on the server.
const reservedID = "server"

// CheckMember looks whether somebody may be taken in under that id and name, with those roles. Error: trial.Faults.
func CheckMember(row store.MemberRow) error {
	var faults trial.Faults
	if !ValidMemberID(row.ID) {
		faults = append(faults, &trial.FieldFault{Field: "member.id", Text: fmt.Sprintf("%q is not an id; allowed: 2 to 32 of a-z, 0-9 and \"-\", beginning with a letter", row.ID)})
	}
	if row.ID == reservedID {
		faults = append(faults, &trial.FieldFault{Field: "member.id", Text: fmt.Sprintf("%q stands for the server itself; allowed: another id", row.ID)})
	}
	if length := len([]rune(row.DisplayName)); length < 1 || length > 80 {
		faults = append(faults, &trial.FieldFault{Field: "member.display_name", Text: fmt.Sprintf("has %d characters; allowed: 1 to 80", length)})
	}
	if len(row.Roles) == 0 {
		faults = append(faults, &trial.FieldFault{Field: "member.roles", Text: "is required; allowed: " + roleNames})
	}
	for i, name := range row.Roles {
		if !slices.Contains(Roles, Role(name)) {
			faults = append(faults, &trial.FieldFault{Field: fmt.Sprintf("member.roles[%d]", i), Text: fmt.Sprintf("%q is not a role; allowed: %s", name, roleNames)})
		} else if slices.Contains(row.Roles[:i], name) {
			faults = append(faults, &trial.FieldFault{Field: fmt.Sprintf("member.roles[%d]", i), Text: fmt.Sprintf("%q is there twice", name)})
		}
	}
	if len(faults) > 0 {
		return faults
	}
	return nil
}

// CreateMember takes in a member and returns the row as kept. Errors: trial.Faults; trial.ErrExists.
func (r *Registry) CreateMember(ctx context.Context, by store.Actor, row store.MemberRow) (store.MemberRow, error) {
	if err := CheckMember(row); err != nil {
		return store.MemberRow{}, err
	}
	row.CreatedAt = r.now()
	if err := r.members.CreateMember(ctx, by, row); err != nil {
		return store.MemberRow{}, err
	}
	return row, nil
}

// Member reads one member. Error: trial.ErrNotFound.
func (r *Registry) Member(ctx context.Context, id trial.MemberID) (store.MemberRow, error) {
	return r.members.Member(ctx, id)
}

// Members reads all members.
func (r *Registry) Members(ctx context.Context) ([]store.MemberRow, error) {
	return r.members.Members(ctx)
}

// IssueToken makes a token for a member: its public id, and its text, which isn't kept and can't be had
// again. expires may be zero, for no end. Errors: trial.ErrNotFound; trial.FieldFault for an end that is past.
func (r *Registry) IssueToken(ctx context.Context, by store.Actor, member trial.MemberID, label string, expires time.Time) (id, text string, err error) {
	if ended(expires, r.now()) {
		return "", "", &trial.FieldFault{Field: "expire_time", Text: expires.UTC().Format(time.RFC3339) + " is past; allowed: a later time, or none"}
	}
	if _, err := r.members.Member(ctx, member); err != nil {
		return "", "", err
	}
	made, text, err := newToken()
	if err != nil {
		return "", "", err
	}
	row := store.TokenRow{ID: made.id, Member: member, SecretHash: made.hash, Label: label, ExpiresAt: expires, CreatedAt: r.now()}
	if err := r.members.CreateToken(ctx, by, row); err != nil {
		return "", "", fmt.Errorf("keep token: %w", err)
	}
	return made.id, text, nil
}

// Tokens reads a member's tokens, newest first, with uses that aren't kept yet. Stewards may read any member's, others their own.
// Errors: trial.ErrForbidden; trial.ErrNotFound.
func (r *Registry) Tokens(ctx context.Context, caller Caller, member trial.MemberID) ([]store.TokenRow, error) {
	if member != caller.ID && !caller.Has(Steward) {
		return nil, fmt.Errorf("%w: the tokens of another member are read by stewards", trial.ErrForbidden)
	}
	if _, err := r.members.Member(ctx, member); err != nil {
		return nil, err
	}
	rows, err := r.members.Tokens(ctx, member)
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	for i := range rows {
		if used := r.uses.waiting(rows[i].ID); used.After(rows[i].LastUsedAt) {
			rows[i].LastUsedAt = used
		}
	}
	return rows, nil
}

// RevokeToken ends a token at once. Stewards may end any, other members their own; somebody else's
// token is told like one that isn't there. Error: trial.ErrNotFound.
func (r *Registry) RevokeToken(ctx context.Context, by store.Actor, caller Caller, id string) error {
	if !validTokenID(id) {
		return fmt.Errorf("token: %w", trial.ErrNotFound)
	}
	row, err := r.members.Token(ctx, id)
	if err != nil {
		return fmt.Errorf("token: %w", err)
	}
	if row.Member != caller.ID && !caller.Has(Steward) {
		return fmt.Errorf("token: %w", trial.ErrNotFound)
	}
	if row.RevokedAt.IsZero() {
		if err := r.members.RevokeToken(ctx, by, id, r.now()); err != nil {
			return fmt.Errorf("revoke token: %w", err)
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.generation++
	delete(r.known, id)
	return nil
}
