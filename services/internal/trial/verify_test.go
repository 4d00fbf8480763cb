package trial_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestVerifyRecordsTellsWhatIsWrong(t *testing.T) {
	c := dyed(t)
	c.mustAdd(ana, "t", trial.Entries{Looks: []trial.Look{{Entry: trial.Entry{ID: "look"}, PieceID: "p", Text: "pale"}}, Readings: []trial.Reading{lab("reading", "p")}})
	c.mustSubmit(ana, trial.Trial{ID: "far", Pieces: []trial.Piece{part("slip", "strip", trial.Taken, 1, 1)}})
	c.sound(t)
	for _, wrong := range []struct {
		name   string
		tamper func(trials map[string]*trial.Trial, baths map[string]*trial.Bath)
		says   []string
	}{
		{"a typed route", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Pieces[0].Route.Text = "typed" }, []string{`p: its route is kept as "typed", it is "alum > weld"`}},
		{"another depth", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) {
			*ts["t"].Pieces[0].Route.Layers[1].DeliveredPercentWOF = 3
		}, []string{"p: its route", "with other figures"}},
		{"a bath that was changed alone", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) { bs["alum"].Additions[0].Material = "iron" },
			[]string{"p: its route", "strip: its route", "s1: its route", "slip: its route"}},
		{"a last position", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Pieces[0].LastPosition = 7 }, []string{"p: its last position is kept as 7, it is 2"}},
		{"an end", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Pieces[2].Ended = false }, []string{"s: ended is kept as false, it is true"}},
		{"a superseded flag", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Readings[0].Superseded = true }, []string{"reading: it doesn't count, and no entry corrects it"}},
		{"a correction that supersedes nothing", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) {
			bs["alum"].Additions[1].CorrectsID = bs["alum"].Additions[0].ID
		}, []string{"corrects it, and it counts"}},
		{"a correction of nothing", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Looks[0].CorrectsID = "nowhere" }, []string{"look: it corrects entry nowhere"}},
		{"a piece from nowhere", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) {
			ts["far"].Pieces[0].Origin.ParentID = "nowhere"
		}, []string{"slip: its forebears aren't all there"}},
		{"another fibre", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["far"].Pieces[0].Fibre.Lot = "other" }, []string{"slip: its fibre"}},
		{"a bath that isn't there", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) { delete(bs, "madder") }, []string{"strip in madder at 1: bath madder isn't there"}},
		{"a deleted bath", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) { bs["madder"].DeletedAt = now }, []string{"bath madder is deleted"}},
		{"a deleted parent", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].DeletedAt = now }, []string{"slip: piece strip, from which it came, is in trial t, which is deleted"}},
		{"a session", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["far"].Pieces[0].SessionID = "monday" }, []string{"slip: session monday"}},
		{"entries of no piece", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) {
			ts["t"].Immersions[0].PieceID, ts["t"].Readings[0].PieceID, ts["t"].Looks[0].PieceID = "x", "y", "z"
		}, []string{"piece x isn't there", "piece y isn't there", "isn't there: z"}},
		{"an exhaust", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) { bs["madder"].ExhaustNumberNotStated = true }, []string{"exhaust 0 contradicts"}},
		{"a blank with dye", func(_ map[string]*trial.Trial, bs map[string]*trial.Bath) { bs["madder"].BlankOf = "madder" }, []string{"bath madder: it is a blank bath of madder"}},
		{"a position twice", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["t"].Immersions[1].Position = 1 }, []string{"two immersions have position 1"}},
		{"a home", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["far"].Pieces[0].TrialID = "t" }, []string{"slip: it says that it is of trial t"}},
		{"a piece twice", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) { ts["far"].Pieces[0].ID = "p" }, []string{"the piece is in trial"}},
		{"a position that isn't", func(ts map[string]*trial.Trial, _ map[string]*trial.Bath) {
			ts["far"].Pieces[0].Origin.AfterPosition = 9
		}, []string{"slip: piece strip, from which it came, has no immersion at position 9"}},
	} {
		t.Run(wrong.name, func(t *testing.T) {
			trials, baths := map[string]*trial.Trial{}, map[string]*trial.Bath{}
			all, err := c.Trials()
			require.NoError(t, err)
			for _, one := range all {
				trials[one.ID] = one
			}
			pots, err := c.Baths()
			require.NoError(t, err)
			for _, one := range pots {
				baths[one.ID] = one
			}
			wrong.tamper(trials, baths)
			pots = slices.DeleteFunc(pots, func(b *trial.Bath) bool { return baths[b.ID] == nil })
			found := ""
			for _, d := range trial.VerifyRecords(all, pots) {
				found += d.String() + "\n"
			}
			for _, says := range wrong.says {
				assert.Contains(t, found, says)
			}
		})
	}
}

// life is random work of three members with one book.
type life struct {
	t    *rapid.T
	c    *coop
	made int
	// What there is, by id.
	trials, baths, pieces, entries []string
	done, refused                  map[string]int
}

func (l *life) id(kind string) string {
	l.made++
	return fmt.Sprintf("%s %03d", kind, l.made)
}

func (l *life) number(low, high int, of string) int { return rapid.IntRange(low, high).Draw(l.t, of) }
func (l *life) chance(of string) bool               { return rapid.Bool().Draw(l.t, of) }
func (l *life) member() string {
	return rapid.SampledFrom([]string{ana, ben, cleo}).Draw(l.t, "member")
}

// some draws one of what there is, and sometimes something that isn't.
func (l *life) some(of []string, what string) string {
	if len(of) == 0 || l.number(0, 40, "miss") == 0 {
		return "nowhere"
	}
	return rapid.SampledFrom(of).Draw(l.t, what)
}

// owner of a record is drawn mostly rightly.
func (l *life) owner(id string) string {
	if l.number(0, 9, "stranger") > 0 {
		if t, err := l.c.Trial(id); err == nil {
			return t.Owner
		}
		if b, err := l.c.Bath(id); err == nil {
			return b.Owner
		}
		if home, err := l.c.TrialOfPiece(id); err == nil {
			if t, err := l.c.Trial(home); err == nil {
				return t.Owner
			}
		}
	}
	return l.member()
}

func (l *life) etag(id string) string {
	if l.number(0, 19, "stale") == 0 {
		return `"r0"`
	}
	if _, err := l.c.Trial(id); err == nil {
		return l.c.etag(id)
	}
	if _, err := l.c.Bath(id); err == nil {
		return l.c.etag(id)
	}
	return ""
}

// do runs a command, and holds it to writing all or nothing; what was kept is then what a derivation from scratch gives.
func (l *life) do(what string, command func(r trial.Records) error) bool {
	before, undone := l.c.Bodies(), l.c.Undone
	err := l.c.Do(command)
	if err != nil {
		l.refused[what]++
		require.Equal(l.t, undone, l.c.Undone, "%s was refused after its first write: %v", what, err)
		require.Equal(l.t, before, l.c.Bodies())
		return false
	}
	l.done[what]++
	l.c.sound(l.t)
	return true
}

func (l *life) now() time.Time { return now.Add(time.Duration(l.made) * time.Minute) }

func (l *life) amount() trial.Amount {
	if l.number(0, 5, "knowledge") == 0 {
		return handful()
	}
	return grams(float64(l.number(1, 40, "grams")))
}

func (l *life) newBath() trial.Bath {
	b := bathOf(l.id("bath"), trial.Purpose(l.number(1, 7, "purpose")))
	for range l.number(0, 2, "additions") {
		b.Additions = append(b.Additions, trial.Addition{
			Entry: trial.Entry{ID: l.id("addition")}, Material: rapid.SampledFrom([]string{"weld", "madder", "alum"}).Draw(l.t, "material"),
			Role: trial.Role(l.number(1, 2, "role")), Amount: l.amount(), Exhaust: l.number(0, 1, "exhaust"),
		})
	}
	b.Liquor = litres(float64(l.number(1, 9, "litres")))
	b.OpenToMembers = l.number(0, 3, "open") > 0
	return b
}

func (l *life) newPiece() trial.Piece {
	p := piece(l.id("piece"), 0)
	p.Mass = l.amount()
	if len(l.pieces) > 0 && l.chance("part") {
		p = part(p.ID, l.some(l.pieces, "parent"), trial.OriginKind(l.number(1, 2, "kind")), l.number(0, 3, "after"), float64(l.number(1, 3, "grams")))
	}
	p.HistoryNotStated = l.number(0, 9, "not stated") == 0
	return p
}

func (l *life) newImmersion(pieces []string) trial.Immersion {
	im := in(l.some(pieces, "piece"), l.some(l.baths, "bath"), l.number(1, 5, "position"))
	im.ID = l.id("immersion")
	im.Exhaust = l.number(0, 5, "exhaust") / 4
	return im
}

func (l *life) submit() {
	given := trial.Trial{ID: l.id("trial"), Title: "t", Sharing: trial.Sharing{Level: trial.SharingLevel(l.number(1, 2, "level"))}}
	var pots []trial.Bath
	for range l.number(0, 2, "baths") {
		pots = append(pots, l.newBath())
	}
	known := len(l.baths)
	for _, b := range pots {
		l.baths = append(l.baths, b.ID)
	}
	var pieces []string
	for range l.number(1, 2, "pieces") {
		p := l.newPiece()
		given.Pieces = append(given.Pieces, p)
		pieces = append(pieces, p.ID)
	}
	for range l.number(0, 3, "immersions") {
		given.Immersions = append(given.Immersions, l.newImmersion(pieces))
	}
	member := l.member()
	if l.do("submit", func(r trial.Records) error {
		_, _, err := trial.SubmitTrial(r, member, l.now(), &given, pots)
		return err
	}) {
		l.trials, l.pieces = append(l.trials, given.ID), append(l.pieces, pieces...)
		for _, im := range given.Immersions {
			l.entries = append(l.entries, im.ID)
		}
	} else {
		l.baths = l.baths[:known]
	}
}

func (l *life) add() {
	home := l.some(l.trials, "trial")
	var pieces []string
	var held string
	if t, err := l.c.Trial(home); err == nil {
		for i := range t.Pieces {
			pieces = append(pieces, t.Pieces[i].ID)
			held = t.Pieces[i].Holder
		}
	}
	var e trial.Entries
	switch l.number(0, 3, "what") {
	case 0, 1:
		e.Immersions = append(e.Immersions, l.newImmersion(pieces))
		if t, err := l.c.Trial(home); err == nil && len(t.Immersions) > 0 && l.chance("correct") {
			wrong := rapid.SampledFrom(t.Immersions).Draw(l.t, "wrong")
			e.Immersions[0].PieceID = wrong.PieceID
			e.Immersions[0].Entry = correcting(e.Immersions[0].Entry, wrong.ID, "misread")
		}
	case 2:
		e.Pieces = append(e.Pieces, l.newPiece())
	default:
		mass, fibre := l.amount(), wool()
		fibre.Lot = l.id("lot")
		change := trial.PieceChange{PieceID: l.some(pieces, "piece"), Reason: "misread"}
		if l.chance("mass") {
			change.Mass = &mass
		} else {
			change.Fibre = &fibre
		}
		e.Corrections = append(e.Corrections, change)
	}
	member := l.owner(home)
	if held != "" && l.chance("holder") {
		member = held
	}
	etag := ""
	if l.chance("etag") {
		etag = l.etag(home)
	}
	if l.do("add", func(r trial.Records) error {
		_, err := trial.AddEntries(r, member, l.now(), home, etag, e)
		return err
	}) {
		for _, p := range e.Pieces {
			l.pieces = append(l.pieces, p.ID)
		}
	}
}

func (l *life) addToBath() {
	id := l.some(l.baths, "bath")
	fresh := l.newBath()
	e := trial.BathEntries{Additions: fresh.Additions}
	if b, err := l.c.Bath(id); err == nil && len(b.Additions) > 0 && len(e.Additions) > 0 && l.chance("correct") {
		wrong := rapid.SampledFrom(b.Additions).Draw(l.t, "wrong")
		e.Additions[0].Entry = correcting(e.Additions[0].Entry, wrong.ID, "misread")
	}
	member := l.owner(id)
	l.do("add to bath", func(r trial.Records) error {
		_, err := trial.AddToBath(r, member, l.now(), id, "", e)
		return err
	})
}

func (l *life) updateBath() {
	given := l.newBath()
	given.ID = l.some(l.baths, "bath")
	given.BlankOf = rapid.SampledFrom([]string{"", "", "weld"}).Draw(l.t, "blank")
	given.ContentsNotStated = l.chance("contents")
	given.ExhaustNotStated = l.chance("exhaust")
	given.ExhaustNumberNotStated = l.number(0, 5, "number") == 0
	mask := []string{rapid.SampledFrom([]string{"purposes", "blank_of", "liquor", "contents_not_stated", "exhaust_not_stated", "exhaust_number_not_stated", "open_to_members", "label"}).Draw(l.t, "mask")}
	member, etag := l.owner(given.ID), l.etag(given.ID)
	l.do("update bath", func(r trial.Records) error {
		_, err := trial.UpdateBath(r, member, l.now(), &given, mask, etag)
		return err
	})
}

func (l *life) delete() {
	back := l.chance("back")
	among := func(ids []string) []string { // mostly those that it can be done to
		fit := slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return l.gone(id) != back })
		if len(fit) == 0 {
			return ids
		}
		return fit
	}
	if l.chance("bath") {
		id := l.some(among(l.baths), "bath")
		member, etag := l.owner(id), l.etag(id)
		if back {
			l.do("undelete bath", func(r trial.Records) error {
				_, err := trial.UndeleteBath(r, member, l.now(), id, etag)
				return err
			})
			return
		}
		l.do("delete bath", func(r trial.Records) error {
			_, err := trial.DeleteBath(r, member, l.now(), id, etag)
			return err
		})
		return
	}
	id := l.some(among(l.trials), "trial")
	member, etag := l.owner(id), l.etag(id)
	if back {
		l.do("undelete trial", func(r trial.Records) error {
			_, err := trial.UndeleteTrial(r, member, l.now(), id, etag)
			return err
		})
		return
	}
	l.do("delete trial", func(r trial.Records) error {
		_, err := trial.DeleteTrial(r, member, l.now(), id, etag)
		return err
	})
}

// gone reports whether a trial or bath is deleted.
func (l *life) gone(id string) bool {
	if t, err := l.c.Trial(id); err == nil {
		return !t.DeletedAt.IsZero()
	}
	b, err := l.c.Bath(id)
	return err == nil && !b.DeletedAt.IsZero()
}

func (l *life) post() {
	id := l.some(l.pieces, "piece")
	from, to := l.owner(id), l.member()
	l.do("post", func(r trial.Records) error {
		_, err := trial.PostPiece(r, from, l.now(), id, to)
		return err
	})
}

func (l *life) share() {
	id := l.some(l.trials, "trial")
	member := l.owner(id)
	level := trial.SharingLevel(l.number(1, 2, "level"))
	l.do("share", func(r trial.Records) error {
		_, err := trial.ShareTrial(r, member, l.now(), id, "", trial.Sharing{Level: level})
		return err
	})
}

// Whatever members do in whatever order: what is kept is what a derivation from scratch gives, and what is refused changes nothing.
func TestWhateverMembersDoTheRecordIsSound(t *testing.T) {
	done, refused := map[string]int{}, map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		l := &life{t: t, c: newCoop(t), done: done, refused: refused}
		for range 3 {
			l.submit()
		}
		t.Repeat(map[string]func(*rapid.T){
			"submit": func(*rapid.T) { l.submit() }, "add": func(*rapid.T) { l.add() }, "add to bath": func(*rapid.T) { l.addToBath() },
			"update bath": func(*rapid.T) { l.updateBath() }, "delete": func(*rapid.T) { l.delete() },
			"post": func(*rapid.T) { l.post() }, "share": func(*rapid.T) { l.share() },
			"many": func(*rapid.T) {
				for range 4 {
					l.add()
					l.add()
					l.delete()
					l.updateBath()
				}
			},
		})
	})
	t.Logf("done: %v", done)
	t.Logf("refused: %v", refused)
	if testing.Short() {
		return // a fifth of the rounds: what is rare needn't come up in them
	}
	for what := range refused {
		assert.NotZero(t, done[what], "%s was always refused: the test is blind for it", what)
	}
	for what := range done {
		assert.NotZero(t, refused[what], "%s was never refused", what)
	}
}
