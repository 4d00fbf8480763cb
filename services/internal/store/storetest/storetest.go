// Package storetest is the suite that every storage engine must pass. An
// engine's own test calls Run with a function that opens it in a folder:
//
//	func TestEngine(t *testing.T) {
//		storetest.Run(t, func(t *testing.T, folder string) store.Engine { ... })
//	}
//
// Opening the same folder again after Close must give the same records. The suite closes what it opens. It
// says what the interfaces of package store promise, and nothing of how an engine keeps its files.
package storetest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Opener opens the engine whose files are in folder.
type Opener func(t *testing.T, folder string) store.Engine

// Run runs the suite.
func Run(t *testing.T, open Opener) {
	for _, test := range []struct {
		name string
		run  func(*testing.T, *bench)
	}{
		{"a record comes back as it was put", recordComesBack},
		{"times are kept to the microsecond", timesToTheMicrosecond},
		{"what is not there is not found", notFound},
		{"an id is given once", idsAreUnique},
		{"a failed put undoes the change", failedPutUndoes},
		{"puts move the index", putsMoveTheIndex},
		{"parts and pieces in a bath are found", partsAndBaths},
		{"waters and experiments", watersAndExperiments},
		{"import links", importLinks},
		{"piece codes", pieceCodes},
		{"records end with their change", recordsEnd},

		{"a request sent again gets the first answer", replays},
		{"a request id with another body is refused", requestReused},
		{"a request sent many times at once is done once", replaysInAGroup},
		{"neighbours of a failing change", failingNeighbours},
		{"changes see those before them", changesSeeEarlierOnes},
		{"a cancelled change is dropped before it starts", cancelledBeforeStart},
		{"a change that has begun is not interrupted", cancelledAfterStart},
		{"closing", closing},
		{"what was acknowledged outlives the engine", outlives},

		{"the feed has no gaps", feedWithoutGaps},
		{"the feed keeps a change's records together", feedKeepsTogether},
		{"what was acknowledged can be read", readsAfterAnswer},
		{"reads never go back", readsNeverGoBack},

		{"trials in pages", trialPages},
		{"shared trials in pages", sharedPages},
		{"search", search},
		{"searches that are refused", searchRefused},
		{"baths that a member may read", bathsOfReader},
		{"bath search", bathSearch},
		{"bath searches that are refused", bathSearchRefused},
		{"deleted records", deletedRecords},
		{"members and tokens", membersAndTokens},
		{"tokens' last use", lastUse},
		{"choices of modules", moduleChoices},
		{"packs of modules", packs},
		{"runs", runs},
		{"what is taken back is found in runs", withdrawnFromRuns},
		{"sheets of plans", sheets},
		{"workshops", workshops},

		{"order of lists", orderOfLists},
		{"case is folded beyond ASCII", caseFolding},
		{"numbers are kept whole", numbersKept},
		{"a stale change leaves nothing", staleChange},
		{"every version can be read", everyVersion},
		{"versions of a change that puts twice", versionsOfTwoPuts},
		{"versions in pages", versionPages},
		{"versions while the record changes", versionsUnderChange},
		{"one audit entry for each change", auditOfChanges},
		{"no audit entry for what was not done", auditOfNothing},
		{"audit of members and tokens", auditOfMembers},
		{"history and audit of a failing neighbour", failingNeighbourLeavesNoTrace},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, newBench(t, open)) })
	}
}

// Members that every bench has; invented.
const (
	ann = "ann"
	bo  = "bo"
	cai = "cai"
)

// now is the time of all changes of the suite; its nanoseconds are not kept.
var now = time.Date(2026, 5, 2, 9, 30, 0, 123456789, time.FixedZone("", 2*3600))

// bench is an open engine with three members.
type bench struct {
	store.Engine
	folder string
	open   Opener
}

func newBench(t *testing.T, open Opener) *bench {
	b := &bench{folder: t.TempDir(), open: open}
	b.Engine = open(t, b.folder)
	t.Cleanup(func() { assert.NoError(t, b.Close()) })
	AddMembers(t, b)
	return b
}

// rounds are how often a change is made beside readers: a quarter as often with -short, as with the race detector, which needs each order of events once.
func rounds(n int) int {
	if testing.Short() {
		return n / 4
	}
	return n
}

// By is the actor of a member's change in tests.
func By(member trial.MemberID) store.Actor {
	return store.Actor{Member: member, TokenID: "token of " + member, Method: "/storetest/Change"}
}

// AddMembers makes the three members of the suite, ann, bo and cai.
func AddMembers(t testing.TB, members store.MemberStore) {
	for _, id := range []trial.MemberID{ann, bo, cai} {
		require.NoError(t, members.CreateMember(t.Context(), By(store.Server), store.MemberRow{ID: id, DisplayName: "Member " + id, Roles: []string{"member"}, CreatedAt: now}))
	}
}

func (b *bench) reopen(t *testing.T) {
	require.NoError(t, b.Close())
	b.Engine = b.open(t, b.folder)
}

type apply = func(trial.Records) ([]byte, error)

// change applies a change of ann's without a request id.
func (b *bench) change(t *testing.T, do apply) (store.ChangeResult, error) {
	return b.Change(t.Context(), store.ChangeRequest{Actor: By(ann), Now: now, Apply: do})
}

// must applies puts that have to succeed.
func (b *bench) must(t *testing.T, put func(trial.Records) error) store.ChangeResult {
	t.Helper()
	result, err := b.change(t, func(r trial.Records) ([]byte, error) { return nil, put(r) })
	require.NoError(t, err)
	return result
}

// keep submits trials with the baths that their immersions need.
func (b *bench) keep(t *testing.T, samples ...*Sample) {
	t.Helper()
	for _, sample := range samples {
		b.must(t, sample.Put)
	}
}

// read gives a trial as its row has it.
func (b *bench) read(t *testing.T, id trial.ID) *trial.Trial {
	t.Helper()
	row, err := b.TrialRow(t.Context(), id)
	require.NoError(t, err)
	kept, err := record.DecodeTrial(row.Body)
	require.NoError(t, err)
	assert.Equal(t, kept.Revision, row.Revision)
	assert.Equal(t, kept.Owner, row.Owner)
	assert.Equal(t, kept.Sharing.Level, row.Sharing)
	return kept
}

func (b *bench) allChanges(t *testing.T) []trial.Change {
	t.Helper()
	changes, err := b.Changes(t.Context(), 0, store.MaxPage)
	require.NoError(t, err)
	return changes
}

// holdWriter begins a change that does not end before release is called; what is
// asked meanwhile waits and is then taken together.
func (b *bench) holdWriter(t *testing.T) (release func()) {
	begun, end := make(chan struct{}), make(chan struct{})
	var done sync.WaitGroup
	var once sync.Once
	done.Go(func() {
		_, err := b.Change(context.WithoutCancel(t.Context()), store.ChangeRequest{Actor: By(ann), Now: now, Apply: func(trial.Records) ([]byte, error) {
			once.Do(func() { close(begun) })
			<-end
			return nil, nil
		}})
		assert.NoError(t, err)
	})
	<-begun
	return sync.OnceFunc(func() {
		close(end)
		done.Wait()
	})
}

// settle gives goroutines that ask for a change the time to be waiting; what depends on it is how much a
// test sees, not whether it passes.
func settle() { time.Sleep(20 * time.Millisecond) }

// NewID makes a UUIDv7 as clients do.
func NewID() trial.ID { return uuid.Must(uuid.NewV7()).String() }

func hashOf(text string) [32]byte { return sha256.Sum256([]byte(text)) }

// Sample is a trial with the baths that it brings along.
type Sample struct {
	Trial *trial.Trial
	Baths []*trial.Bath
}

// NewSample makes a trial of 25 entries: a session, four pieces, six immersions, four looks,
// seven readings with spectra, and three additions in two baths. Invented.
func NewSample(owner trial.MemberID) *Sample {
	s := NewSmallSample(owner)
	t := s.Trial
	session := trial.Session{ID: NewID()}
	t.Sessions = []trial.Session{session}
	weld := &trial.Bath{
		ID: NewID(), Owner: owner, Label: "weld pot", Purposes: []trial.Purpose{trial.DyeBath},
		Additions: []trial.Addition{addition("weld", trial.Dye, 20), addition("chalk", trial.Assist, 1)},
		Sharing:   trial.Sharing{Level: trial.Mine},
	}
	vat := &trial.Bath{
		ID: NewID(), Owner: owner, Label: "vat", Purposes: []trial.Purpose{trial.Vat},
		Additions: []trial.Addition{addition("indigo", trial.Dye, 8)}, Sharing: trial.Sharing{Level: trial.Mine},
	}
	s.Baths = []*trial.Bath{weld, vat}
	for i := range 4 {
		t.Pieces = append(t.Pieces, newPiece(owner, fmt.Sprint("skein ", i+1)))
		t.Pieces[i].SessionID = session.ID
	}
	layers := map[trial.ID]trial.Layer{weld.ID: layer(weld), vat.ID: layer(vat)}
	for _, step := range []struct {
		piece, position int
		bath            *trial.Bath
	}{{0, 1, weld}, {0, 2, vat}, {1, 1, vat}, {1, 2, weld}, {2, 1, weld}, {3, 1, vat}} {
		piece := &t.Pieces[step.piece]
		t.Immersions = append(t.Immersions, trial.Immersion{
			Entry: trial.Entry{ID: NewID(), RecordedBy: owner}, PieceID: piece.ID, BathID: step.bath.ID, Position: step.position,
		})
		piece.Route.Layers = append(piece.Route.Layers, layers[step.bath.ID])
	}
	for i := range 4 {
		t.Looks = append(t.Looks, trial.Look{
			Entry: trial.Entry{ID: NewID(), RecordedBy: owner}, PieceID: t.Pieces[i].ID, Text: "even, a little paler at the knot",
		})
	}
	for i := range 7 {
		spectrum := &trial.Spectrum{StartNm: 400, StepNm: 10}
		for n := range 31 {
			spectrum.Reflectance = append(spectrum.Reflectance, float64(10+i+n)/100)
		}
		t.Readings = append(t.Readings, trial.Reading{
			Entry: trial.Entry{ID: NewID(), RecordedBy: owner}, PieceID: t.Pieces[i%4].ID,
			Raw: trial.RawColour{Spectrum: spectrum}, Instrument: "the bench's", State: trial.Finished, AgeDays: 7,
		})
	}
	return s
}

// NewSmallSample makes a trial without entries.
func NewSmallSample(owner trial.MemberID) *Sample {
	return &Sample{Trial: &trial.Trial{
		ID: NewID(), Owner: owner, Title: "Yellow over blue", State: trial.Begun, Sharing: trial.Sharing{Level: trial.Mine},
	}}
}

// Put creates the sample's records.
func (s *Sample) Put(r trial.Records) error {
	for _, bath := range s.Baths {
		if err := r.CreateBath(bath); err != nil {
			return err
		}
	}
	return r.CreateTrial(s.Trial)
}

func newPiece(holder trial.MemberID, label string) trial.Piece {
	return trial.Piece{
		ID: NewID(), Label: label, Holder: holder,
		Fibre: trial.Fibre{Composition: []trial.FibrePart{{Fibre: "wool", Percent: 100}}},
		Mass:  trial.Amount{Knowledge: trial.Measured, Value: 5, Unit: trial.Gram},
	}
}

func addition(material string, role trial.Role, grams float64) trial.Addition {
	return trial.Addition{
		Entry: trial.Entry{ID: NewID()}, Material: material, Role: role,
		Amount: trial.Amount{Knowledge: trial.Measured, Value: grams, Unit: trial.Gram},
	}
}

// layer is a bath as a route tells it.
func layer(b *trial.Bath) trial.Layer {
	l := trial.Layer{Purposes: b.Purposes, BathID: b.ID}
	for _, a := range b.Additions {
		l.Materials = append(l.Materials, trial.LayerMaterial{Material: a.Material, Role: a.Role})
	}
	return l
}
