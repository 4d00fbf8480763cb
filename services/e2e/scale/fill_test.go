package scale_test

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// storeFile is where the core looks for its record in a data folder.
const storeFile = "commonvat.db"

// What the invented cooperative works with.
const (
	seed             = 20260501
	members          = 24 // who own trials
	waters           = 40
	readingsPerTrial = 25
	trialsPerChange  = 100
	partsPerTrial    = 12
)

// rareEvery is how many trials there are to one that uses the rare dye.
const rareEvery = 100

var (
	fibres   = []string{"wool", "silk", "cotton", "linen", "alpaca"}
	dyes     = []string{"weld", "madder", "cochineal", "walnut", "onion", "birch", "marigold", "dyer's broom", "logwood", "buckthorn"}
	mordants = []string{"alum", "iron", "tin", "rhubarb leaf"}
	subjects = []string{"Yellow over blue", "Blue over yellow", "Autumn greens", "Reds on the new fleece", "How deep a vat", "The mill well against rain", "Exhaust baths", "A hundred greys"}
)

// begins is when the first invented trial was made.
var begins = time.Date(2021, 3, 1, 8, 0, 0, 0, time.UTC)

// manyMordants are as many as the groups of a question that is to have many.
var manyMordants = func() (out []string) {
	for i := range 200 {
		out = append(out, fmt.Sprintf("mordant liquor %03d", i+1))
	}
	return out
}()

// maker invents trials from a seed; the same seed and mordants give the same trials.
type maker struct {
	mordants []string
	random   *rand.Rand
	now      time.Time
	sources  []trial.ID
	made     int
}

// id is a UUID version 7 of the maker's time.
func (m *maker) id() trial.ID {
	m.now = m.now.Add(time.Millisecond)
	var u uuid.UUID
	binary.BigEndian.PutUint64(u[0:8], uint64(m.now.UnixMilli())<<16|0x7000|m.random.Uint64()&0xfff)
	binary.BigEndian.PutUint64(u[8:16], m.random.Uint64()&^(3<<62)|2<<62)
	return u.String()
}

func pick[T any](m *maker, from []T) T { return from[m.random.IntN(len(from))] }

func (m *maker) grams(g float64) trial.Amount {
	return trial.Amount{Knowledge: trial.Measured, Value: g, Unit: trial.Gram}
}

func (m *maker) at() trial.ClaimedTime {
	return trial.ClaimedTime{Time: m.now, Precision: trial.ToMinute}
}

func (m *maker) bath(purpose trial.Purpose, role trial.Role, material string, g float64) trial.Bath {
	return trial.Bath{
		ID: m.id(), Label: material + " pot", Vessel: "steel pot", Purposes: []trial.Purpose{purpose},
		Liquor: trial.Amount{Knowledge: trial.Measured, Value: 1.5, Unit: trial.Litre},
		Water:  []trial.WaterPart{{SourceID: pick(m, m.sources), Parts: 1}},
		Additions: []trial.Addition{{
			Entry: trial.Entry{ID: m.id()}, Material: material, Role: role, Amount: m.grams(g), At: m.at(),
		}},
	}
}

// spectrum is a smooth invented curve at 31 wavelengths.
func (m *maker) spectrum() *trial.Spectrum {
	s := &trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: make([]float64, 31)}
	middle, steep, floor := 430+220*m.random.Float64(), 12+40*m.random.Float64(), 0.02+0.1*m.random.Float64()
	for i := range s.Reflectance {
		s.Reflectance[i] = floor + 0.7/(1+math.Exp((middle-400-10*float64(i))/steep))
	}
	return s
}

func (m *maker) raw() trial.RawColour {
	if m.random.IntN(5) < 3 {
		return trial.RawColour{Spectrum: m.spectrum()}
	}
	return trial.RawColour{
		Lab:          &trial.Lab{L: 20 + 60*m.random.Float64(), A: -30 + 60*m.random.Float64(), B: -30 + 80*m.random.Float64()},
		LabCondition: trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10},
	}
}

// trial invents one session: a mordanted hank, twelve parts of it through two dye pots and a vat, 25 readings.
func (m *maker) trial() (*trial.Trial, []trial.Bath) {
	m.made++
	m.now = m.now.Add(30 * time.Minute)
	first, second := pick(m, dyes), pick(m, dyes)
	if m.made%rareEvery == 0 {
		first = "lichen"
	}
	t := &trial.Trial{
		ID: m.id(), Title: fmt.Sprintf("%s, no. %d", pick(m, subjects), m.made), State: trial.State(1 + m.random.IntN(3)),
		Sharing:  trial.Sharing{Level: trial.Cooperative},
		Sessions: []trial.Session{{ID: m.id(), Begun: m.at()}},
	}
	switch m.random.IntN(10) {
	case 0:
		t.Sharing.Level = trial.Mine
	case 1:
		t.Sharing = trial.Sharing{Level: trial.Public, Licence: "CC-BY-4.0"}
	}
	baths := []trial.Bath{
		m.bath(trial.MordantBath, trial.Mordant, pick(m, m.mordants), 3), m.bath(trial.DyeBath, trial.Dye, first, 15+10*m.random.Float64()),
		m.bath(trial.Vat, trial.Dye, "indigo", 4), m.bath(trial.DyeBath, trial.Dye, second, 20),
	}
	put := func(p *trial.Piece, position int, b *trial.Bath) {
		t.Immersions = append(t.Immersions, trial.Immersion{
			Entry: trial.Entry{ID: m.id()}, PieceID: p.ID, BathID: b.ID, Position: position,
			IntendedDepth: trial.Depth(1 + m.random.IntN(3)), Entered: m.at(),
		})
	}
	t.Pieces = make([]trial.Piece, 1+partsPerTrial)
	hank := &t.Pieces[0]
	*hank = trial.Piece{
		ID: m.id(), Label: "hank", SessionID: t.Sessions[0].ID, Mass: m.grams(60), Basis: trial.AirDry,
		Fibre: trial.Fibre{Composition: []trial.FibrePart{{Fibre: pick(m, fibres), Percent: 100}}, Form: "yarn", Lot: fmt.Sprint("lot ", m.random.IntN(200))},
	}
	put(hank, 1, &baths[0])
	routes := [][]int{{1, 2}, {2, 3}, {1}, {3}, {2}, {2, 1}}
	for i := range partsPerTrial {
		part := &t.Pieces[1+i]
		*part = trial.Piece{
			ID: m.id(), SessionID: t.Sessions[0].ID, Mass: m.grams(3), Basis: trial.AirDry,
			Origin: trial.Origin{Kind: trial.Taken, ParentID: hank.ID, AfterPosition: 1},
		}
		for n, b := range routes[i%len(routes)] {
			put(part, n+1, &baths[b])
		}
	}
	for range 2 {
		t.Looks = append(t.Looks, trial.Look{Entry: trial.Entry{ID: m.id()}, PieceID: pick(m, t.Pieces).ID, Text: "greener at the edge than in the middle", At: m.at()})
	}
	for i := range readingsPerTrial {
		t.Readings = append(t.Readings, trial.Reading{
			Entry: trial.Entry{ID: m.id()}, PieceID: t.Pieces[1+i%partsPerTrial].ID, Raw: m.raw(), Specular: trial.SpecularIncluded,
			Geometry: "d/8", Instrument: "the bench's", State: trial.Dry, AgeDays: 8, At: m.at(), AfterPosition: trial.AfterAll,
		})
	}
	return t, baths
}

// owner of what is made next.
func (m *maker) owner() trial.MemberID { return fmt.Sprintf("dyer%02d", m.random.IntN(members)) }

// fill makes a store of about so many readings with so mordanted pieces, and gives the token of a member who owns nothing.
func fill(ctx context.Context, path string, readings int, mordants []string) (token string, err error) {
	records, err := sqlite.Open(ctx, sqlite.Config{Path: path})
	if err != nil {
		return "", err
	}
	defer func() {
		if closing := records.Close(); err == nil {
			err = closing
		}
	}()
	registry := access.New(records, nil)
	for i := range members {
		id := fmt.Sprintf("dyer%02d", i)
		if _, err := registry.CreateMember(ctx, store.Actor{Member: store.Server, Method: "fill"}, store.MemberRow{ID: id, DisplayName: "Dyer " + id, Roles: []string{"member"}}); err != nil {
			return "", err
		}
	}
	if _, err := registry.CreateMember(ctx, store.Actor{Member: store.Server, Method: "fill"}, store.MemberRow{ID: "onlooker", DisplayName: "Onlooker", Roles: []string{"member"}}); err != nil {
		return "", err
	}
	m := &maker{mordants: mordants, random: rand.New(rand.NewPCG(seed, uint64(readings))), now: begins}
	change := func(member trial.MemberID, apply func(trial.Records) error) error {
		_, err := records.Change(ctx, store.ChangeRequest{Actor: store.Actor{Member: member, Method: "fill"}, Now: m.now, Apply: func(r trial.Records) ([]byte, error) { return nil, apply(r) }})
		return err
	}
	for i := range waters {
		source := &trial.WaterSource{ID: m.id(), Name: fmt.Sprint("Well ", i+1), Kind: "well", Common: true}
		m.sources = append(m.sources, source.ID)
		err := change(m.owner(), func(r trial.Records) error {
			_, err := trial.CreateWaterSource(r, "dyer00", m.now, source)
			return err
		})
		if err != nil {
			return "", fmt.Errorf("water source: %w", err)
		}
	}
	for left := readings / readingsPerTrial; left > 0; {
		member := m.owner()
		n := min(left, trialsPerChange)
		err := change(member, func(r trial.Records) error {
			for range n {
				t, baths := m.trial()
				if m.random.IntN(2) == 0 {
					member = m.owner()
				}
				if _, _, err := trial.SubmitTrial(r, member, m.now, t, baths); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return "", fmt.Errorf("trials: %w", err)
		}
		left -= n
	}
	_, token, err = registry.IssueToken(ctx, store.Actor{Member: store.Server, Method: "fill"}, "onlooker", "", time.Time{})
	return token, err
}

// contentOf is the checksum of what a query for one column of bytes gives.
func contentOf(t *testing.T, path, query string) [32]byte {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	rows, err := db.QueryContext(t.Context(), query)
	require.NoError(t, err)
	defer func() { require.NoError(t, rows.Close()) }()
	hash := sha256.New()
	for rows.Next() {
		var body []byte
		require.NoError(t, rows.Scan(&body))
		hash.Write(body)
	}
	require.NoError(t, rows.Err())
	return [32]byte(hash.Sum(nil))
}
