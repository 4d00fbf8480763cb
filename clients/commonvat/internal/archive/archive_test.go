package archive

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM}
}

func fibre(name string) *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: name, Percent: 100}}}
}

const someID = "0197a000-0000-7000-8000-0000000000b1"

// made makes a small folder.
func made(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "export")
	m, err := begin(path)
	require.NoError(t, err)
	for _, file := range []string{trialsFile, bathsFile, watersFile, experimentsFile, readmeFile} {
		require.NoError(t, m.fill(file, func(w *writing) error {
			if file == trialsFile {
				return w.line(&labv1.Trial{Id: someID, Owner: "ash", Title: "one (invented)"})
			}
			return nil
		}))
	}
	require.NoDirExists(t, path, "it has its name when it is whole")
	require.NoError(t, m.finish(&Manifest{Format: Format, Member: "ash"}))
	return path
}

func TestFolderIsWhole(t *testing.T) {
	path := made(t)
	f, err := Open(path)
	require.NoError(t, err)
	assert.Empty(t, f.Changed)
	n := 0
	require.NoError(t, records(f, trialsFile, func(r *labv1.Trial, at int64) error {
		n++
		again := &labv1.Trial{}
		require.NoError(t, recordAt(f, trialsFile, at, again))
		assert.True(t, proto.Equal(r, again))
		return nil
	}))
	assert.Equal(t, 1, n)
	_, err = begin(path)
	require.ErrorIs(t, err, ErrThere)

	for name, c := range map[string]struct {
		damage func(folder string) error
		says   string
	}{
		"no manifest":    {func(folder string) error { return os.Remove(filepath.Join(folder, manifestFile)) }, manifestFile},
		"no trials":      {func(folder string) error { return os.Remove(filepath.Join(folder, trialsFile)) }, trialsFile},
		"shorter trials": {func(folder string) error { return os.Truncate(filepath.Join(folder, trialsFile), 5) }, "has 5 bytes"},
		"changed trials": {func(folder string) error {
			text, err := os.ReadFile(filepath.Join(folder, trialsFile))
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(folder, trialsFile), []byte(strings.Replace(string(text), "one", "two", 1)), 0o600)
		}, "was changed since the export"},
		"a later format": {func(folder string) error { return change(folder, func(m map[string]any) { m["format"] = 2 }) }, "format is 2"},
		"unknown key":    {func(folder string) error { return change(folder, func(m map[string]any) { m["extra"] = 1 }) }, "extra"},
		"nobody's":       {func(folder string) error { return change(folder, func(m map[string]any) { m["member"] = "" }) }, "member is required"},
		"outside": {func(folder string) error {
			return change(folder, func(m map[string]any) { m["files"] = append(m["files"].([]any), map[string]any{"path": "../x"}) })
		}, "outside"},
		"twice": {func(folder string) error {
			return change(folder, func(m map[string]any) { m["files"] = append(m["files"].([]any), map[string]any{"path": trialsFile}) })
		}, "twice"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := filepath.Join(t.TempDir(), "copy")
			require.NoError(t, os.CopyFS(folder, os.DirFS(path)))
			require.NoError(t, c.damage(folder))
			_, err := Open(folder)
			require.ErrorIs(t, err, ErrFolder)
			assert.ErrorContains(t, err, c.says)
		})
	}
	require.NoError(t, os.WriteFile(filepath.Join(path, readmeFile), []byte("mine"), 0o600))
	f, err = Open(path)
	require.NoError(t, err, "a text may be changed")
	assert.Equal(t, []string{readmeFile}, f.Changed)
}

func change(folder string, how func(map[string]any)) error {
	path := filepath.Join(folder, manifestFile)
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	var m map[string]any
	if err := json.Unmarshal(text, &m); err != nil {
		return err
	}
	how(m)
	if text, err = json.Marshal(m); err != nil {
		return err
	}
	return os.WriteFile(path, text, 0o600)
}

// What this program doesn't know can't be kept as JSON, and is not left out in silence.
func TestUnknownFieldsAreRefused(t *testing.T) {
	m, err := begin(filepath.Join(t.TempDir(), "export"))
	require.NoError(t, err)
	odd := &labv1.Trial{Id: someID, Pieces: []*labv1.Piece{{Id: someID, Mass: grams(1)}}}
	odd.GetPieces()[0].GetMass().ProtoReflect().SetUnknown(protowire.AppendVarint(protowire.AppendTag(nil, 900, protowire.VarintType), 1))
	err = m.fill(trialsFile, func(w *writing) error { return w.line(odd) })
	require.ErrorContains(t, err, "something would be lost")
	require.NoError(t, m.drop())
	assert.NoDirExists(t, m.aside)
}

func TestPiecesAsTheyWereFirst(t *testing.T) {
	p := &labv1.Piece{Id: someID, Label: "c", Mass: grams(3), Fibre: fibre("silk"), Code: "K7P", Holder: "ash", LastPosition: 2, Corrections: []*labv1.PieceCorrection{
		{Mass: grams(2), MassBefore: grams(1), Reason: "x"},
		{Mass: grams(3), MassBefore: grams(2), Label: proto.String("c"), LabelBefore: proto.String(""), Reason: "y"},
		{Fibre: fibre("silk"), FibreBefore: fibre("wool"), Reason: "z"},
	}}
	want := &labv1.Piece{Id: someID, Mass: grams(1), Fibre: fibre("wool")}
	assert.True(t, proto.Equal(want, original(p)), "%v", original(p))
	assert.Len(t, p.GetCorrections(), 3, "the piece itself is left alone")
	p.Origin = &labv1.PieceOrigin{ParentPieceId: "x"}
	assert.Nil(t, original(p).GetFibre(), "a part has its parent's")

	list := p.GetCorrections()
	add, same := following(list, list[:1])
	assert.True(t, same)
	require.Len(t, add, 2)
	assert.Nil(t, add[0].GetMassBefore())
	add, same = following(list[:1], list)
	assert.True(t, same, "corrected further")
	assert.Empty(t, add)
	_, same = following(list, list[1:])
	assert.False(t, same)
}

// A strip is taken into the second trial from a piece that the first one splits: it has to come before the split, and each trial stands on the other.
func TestPiecesGoInRounds(t *testing.T) {
	r := &restoring{in: &Folder{}, from: "ash", report: &Report{}, pieces: map[string]*piecePlan{}, taken: map[string][]string{}}
	part := func(id, parent string, kind labv1.OriginKind) *labv1.Piece {
		return &labv1.Piece{Id: id, Origin: &labv1.PieceOrigin{ParentPieceId: parent, Kind: kind}}
	}
	const split, taken = labv1.OriginKind_ORIGIN_KIND_SPLIT, labv1.OriginKind_ORIGIN_KIND_TAKEN
	require.NoError(t, r.plan(&labv1.Trial{Id: "1", Owner: "ash", Pieces: []*labv1.Piece{{Id: "hank"}, part("half", "hank", split), part("other half", "hank", split), part("snip", "strip", taken)}}, 0))
	require.NoError(t, r.plan(&labv1.Trial{Id: "2", Owner: "ash", Pieces: []*labv1.Piece{part("strip", "hank", taken), part("crumb", "half", taken), part("stranger's", "elsewhere", split)}}, 0))
	goes := func(i int) []string {
		ready := r.ready(i, r.plans[i])
		for id := range ready {
			r.pieces[id].here = true
		}
		return sorted(ready)
	}
	assert.Equal(t, []string{"hank"}, goes(0))
	assert.Equal(t, []string{"stranger's", "strip"}, goes(1))
	assert.Equal(t, []string{"half", "other half", "snip"}, goes(0))
	assert.Equal(t, []string{"crumb"}, goes(1))
	assert.Empty(t, goes(0))

	require.ErrorIs(t, r.plan(&labv1.Trial{Id: "3", Owner: "ash", Pieces: []*labv1.Piece{{Id: "hank"}}}, 0), ErrFolder, "a piece twice")
	require.ErrorIs(t, r.plan(&labv1.Trial{Id: "3", Owner: "birch"}, 0), ErrFolder)
}

func TestReadingsStandAfterWhatCounts(t *testing.T) {
	reading := func(after int32) *labv1.Reading { return &labv1.Reading{PieceId: "p", AfterPosition: &after} }
	w := &wanted{trial: &labv1.Trial{
		Immersions: []*labv1.Immersion{{Id: "1", PieceId: "p", Position: 1}, {Id: "2", PieceId: "p", Position: 3},
			{Id: "3", PieceId: "p", Position: 5, Corrects: &typesv1.Correction{EntryId: "2"}}, {Id: "4", PieceId: "q", Position: 3}},
		Readings:   []*labv1.Reading{reading(0), reading(1), reading(3), reading(5), {PieceId: "p"}},
		Judgements: []*labv1.Judgement{{FirstPieceId: "p", SecondPieceId: "q", FirstAfterPosition: proto.Int32(3), SecondAfterPosition: proto.Int32(3)}},
	}}
	places(w)
	var got []int32
	for _, x := range w.trial.GetReadings() {
		got = append(got, x.GetAfterPosition())
	}
	assert.Equal(t, []int32{0, 1, 1, 5, 0}, got)
	assert.Nil(t, w.trial.GetReadings()[4].AfterPosition)
	assert.EqualValues(t, 1, w.trial.GetJudgements()[0].GetFirstAfterPosition())
	assert.EqualValues(t, 3, w.trial.GetJudgements()[0].GetSecondAfterPosition())
	assert.Len(t, w.notes, 1)
}

func TestNamesOfOthersWaters(t *testing.T) {
	assert.Equal(t, "mill well (ash's, by birch)", waterName("mill well", "ash", "birch", someID))
	long := strings.Repeat("m", 32)
	assert.Equal(t, "well ("+long+"'s, 0000b1)", waterName("well", long, long, someID))
	for _, name := range []string{"", strings.Repeat("é", 60)} {
		for _, who := range []string{"ash", long} {
			assert.LessOrEqual(t, len([]rune(waterName(name, who, who, someID))), maxWaterName)
		}
	}
}

// What a record says of a vessel isn't part of the workshop: restored twice, it doesn't differ.
func TestWorkshopAsItWasTold(t *testing.T) {
	told := &benchv1.Workshop{Vessels: []*benchv1.Vessel{{Name: "pot", Litres: 10}}}
	have, ok := proto.Clone(told).(*benchv1.Workshop)
	require.True(t, ok)
	have.Revision, have.Due = 3, true
	have.Vessels[0].ToldTime = timestamppb.Now()
	have.Vessels[0].Uses = []*benchv1.VesselUse{{BathId: someID, Materials: []string{"ferrous sulfate"}}}
	assert.True(t, proto.Equal(told, toldOf(have)))
}

func TestBatchesStaySmall(t *testing.T) {
	var list []*labv1.Look
	for range 30 {
		list = append(list, &labv1.Look{Text: strings.Repeat("x", 100_000)})
	}
	n := 0
	for _, b := range batches(list) {
		n += len(b)
		size := 0
		for _, l := range b {
			size += proto.Size(l)
		}
		assert.LessOrEqual(t, size, batchBytes)
	}
	assert.Equal(t, len(list), n)
	assert.Empty(t, batches([]*labv1.Look(nil)))
}

// Whatever the manifest says: it is read whole or refused, and leads nowhere outside the folder.
func FuzzManifest(f *testing.F) {
	f.Add([]byte(`{"format":1,"member":"ash","files":[{"path":"trials.jsonl"},{"path":"baths.jsonl"},{"path":"waters.jsonl"},{"path":"experiments.jsonl"}]}`))
	f.Add([]byte(`{"format":1,"member":"ash","files":[{"path":"../x"}]}`))
	f.Add([]byte(`{"format":2}`))
	f.Add([]byte(`null`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		m, err := parseManifest(raw)
		if err != nil {
			require.ErrorIs(t, err, ErrFolder)
			return
		}
		for _, file := range m.Files {
			assert.True(t, filepath.IsLocal(file.Path))
		}
	})
}

// Whatever a line says: it is a record or refused.
func FuzzRecordLines(f *testing.F) {
	f.Add(`{"id":"` + someID + `","pieces":[{"id":"x","corrections":[{"mass":{"knowledge":2}}]}],"readings":[{"raw":{"spectrum":{"reflectance":["NaN"]}}}]}`)
	f.Add(`{"id":"x"}`)
	f.Add("{}\n{}")
	f.Add("[]")
	f.Fuzz(func(t *testing.T, text string) {
		folder := &Folder{path: t.TempDir()}
		require.NoError(t, os.WriteFile(filepath.Join(folder.path, trialsFile), []byte(text), 0o600))
		err := records(folder, trialsFile, func(r *labv1.Trial, _ int64) error {
			for _, p := range r.GetPieces() {
				original(p)
			}
			places(&wanted{trial: given(r)})
			return nil
		})
		if err != nil {
			assert.ErrorIs(t, err, ErrFolder)
		}
	})
}
