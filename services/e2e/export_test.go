package e2e_test

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// exported reads the JSON Lines of a folder by id, without what is each core's own.
func exported(t *testing.T, folder, file string) map[string]map[string]any {
	t.Helper()
	f, err := os.Open(filepath.Join(folder, file))
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	all := map[string]map[string]any{}
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var one map[string]any
		require.NoError(t, json.Unmarshal(lines.Bytes(), &one))
		_, deleted := one["delete_time"]
		coresOwn(one)
		one["is deleted"] = deleted
		all[one["id"].(string)] = one
	}
	require.NoError(t, lines.Err())
	return all
}

// coresOwn takes out what the README says is the new core's: when it was recorded and by whom, versions, short codes.
func coresOwn(v any) {
	switch v := v.(type) {
	case map[string]any:
		for _, name := range []string{"create_time", "update_time", "delete_time", "record_time", "recorded_by", "revision", "etag", "code", "since", "warnings"} {
			delete(v, name)
		}
		for _, x := range v {
			coresOwn(x)
		}
	case []any:
		for _, x := range v {
			coresOwn(x)
		}
	}
}

// planned keeps a workshop and two sheets of ash's, one of which is deleted. No module runs, so that nothing on them is released.
func planned(t *testing.T, l *lab, dir string) (kept, dropped string) {
	t.Helper()
	kept, dropped = "019df400-0000-7000-8000-000000000002", "019df400-0000-7000-8000-000000000005"
	plan, err := os.ReadFile("../../testdata/examples/weld-and-indigo.plan.yaml")
	require.NoError(t, err)
	for _, id := range []string{kept, dropped} {
		path := filepath.Join(dir, id+".yaml")
		require.NoError(t, os.WriteFile(path, []byte(strings.ReplaceAll(string(plan), kept, id)), 0o600))
		l.does("ash", "plan", path)
	}
	workshop, err := filepath.Abs("../../testdata/examples/workshop.yaml")
	require.NoError(t, err)
	l.does("ash", "workshop", "set", workshop)
	l.does("ash", "sheet", "delete", dropped, "--reason", "planned twice")
	return kept, dropped
}

func TestExportIsRestoredElsewhere(t *testing.T) {
	here := newLab(t, "ash:member,coordinator", "birch")
	here.start()
	s := tell(t, here)
	dir := t.TempDir()
	kept, dropped := planned(t, here, dir)
	first := filepath.Join(dir, "first")
	here.does("ash", "export", first)
	a := here.client("ash", "export", first)
	assert.Equal(t, exitInvalid, a.code, "nothing is written over: %s", a.errors)
	left, err := filepath.Glob(filepath.Join(dir, ".*"))
	require.NoError(t, err)
	assert.Empty(t, left, "nothing is left aside")

	trials := exported(t, first, "trials.jsonl")
	assert.Len(t, trials, 3, "own trials, the deleted one too, and none of others")
	assert.Equal(t, true, trials[s.deleted]["is deleted"])
	baths := exported(t, first, "baths.jsonl")
	assert.Len(t, baths, 4)
	assert.Equal(t, "birch", baths[s.foreign]["owner"])
	for _, token := range here.tokens {
		secret, err := os.ReadFile(token)
		require.NoError(t, err)
		require.NoError(t, filepath.WalkDir(first, func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			text, err := os.ReadFile(path)
			assert.NotContains(t, string(text), strings.TrimSpace(string(secret)), path)
			return err
		}))
	}
	// What the records said before, the tokens, and what ash did, with nothing of birch's.
	count := func(file, text string) int {
		raw, err := os.ReadFile(filepath.Join(first, file))
		require.NoError(t, err)
		n := 0
		for _, line := range strings.Split(string(raw), "\n") {
			if strings.Contains(line, text) {
				n++
			}
		}
		return n
	}
	var manifest struct {
		Member string         `json:"member"`
		Counts map[string]int `json:"counts"`
	}
	raw, err := os.ReadFile(filepath.Join(first, "manifest.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, &manifest))
	assert.Equal(t, "ash", manifest.Member)
	assert.Equal(t, manifest.Counts["versions"], count("versions.jsonl", `{"version":`))
	// The first trial was submitted, changed by its bath, added to, posted and finished; each is a version.
	assert.Greater(t, count("versions.jsonl", `"trial":{"id":"`+s.trial), 6)
	assert.Equal(t, 2, count("versions.jsonl", `"trial":{"id":"`+s.deleted), "submitted and deleted")
	assert.Equal(t, 1, count("tokens.jsonl", `"member_id":"ash"`))
	assert.Equal(t, manifest.Counts["audit"], count("audit.jsonl", `"actor":"ash"`))
	assert.Positive(t, count("audit.jsonl", "TrialService/DeleteTrial"))

	sheet, err := os.Open(filepath.Join(first, "csv", "readings.csv"))
	require.NoError(t, err)
	rows, err := csv.NewReader(sheet).ReadAll()
	require.NoError(t, err)
	require.NoError(t, sheet.Close())
	require.Len(t, rows, 6, "five readings under a header")
	text, err := os.ReadFile(filepath.Join(first, "csv", "readings.csv"))
	require.NoError(t, err)
	assert.Contains(t, string(text), ",48.125,-12.3,10,D65/10,", "figures are figures")
	text, err = os.ReadFile(filepath.Join(first, "csv", "trials.csv"))
	require.NoError(t, err)
	assert.Contains(t, string(text), ",'=1+1 is no formula (invented),", "text is text")

	there := newLab(t, "ash:member,coordinator", "cedar")
	there.start()
	a = there.client("ash", "export", "restore", first, "--dry-run", "--output", "json")
	require.Zero(t, a.code, a.out+a.errors)
	assert.Empty(t, exportedNow(t, there, "ash", dir)["trials.jsonl"], "a dry run writes nothing")
	report := there.does("ash", "export", "restore", first, "--keep-sharing", "--output", "json")
	assert.Contains(t, report, "was held by birch", "who isn't a member there")
	second := exportedNow(t, there, "ash", dir)
	foreign := ""
	for id, b := range second["baths.jsonl"] {
		if b["label"] == "birch's walnut pot (invented) (birch's)" {
			foreign = id
		}
	}
	require.NotEmpty(t, foreign, "another's bath came along as one's own")
	for _, file := range []string{"trials.jsonl", "waters.jsonl", "experiments.jsonl", "baths.jsonl"} {
		want := exported(t, first, file)
		for id, record := range want {
			raw, err := json.Marshal(record)
			require.NoError(t, err)
			text := strings.ReplaceAll(string(raw), s.foreign, foreign)
			if file == "trials.jsonl" {
				text = strings.ReplaceAll(text, `"holder":"birch"`, `"holder":"ash"`) // reported
			}
			if id == s.foreign {
				id = foreign
				text = strings.ReplaceAll(text, `"owner":"birch"`, `"owner":"ash"`)
				text = strings.ReplaceAll(text, `pot (invented)"`, `pot (invented) (birch's)"`)
			}
			got, err := json.Marshal(second[file][id])
			require.NoError(t, err)
			assert.JSONEq(t, text, string(got), "%s of %s", id, file)
		}
		assert.Len(t, second[file], len(want), file)
	}

	// The workshop is there, and both sheets are planned anew, one of them deleted again.
	assert.Contains(t, there.does("ash", "workshop", "show"), "Revision 1")
	assert.Contains(t, there.does("ash", "sheet", "list"), kept)
	assert.NotContains(t, there.does("ash", "sheet", "list"), dropped)
	assert.Contains(t, there.does("ash", "sheet", "list", "--deleted"), dropped)

	// Twice is once.
	var again struct {
		Added     int `json:"added"`
		Completed int `json:"completed"`
		There     int `json:"there_already"`
	}
	require.NoError(t, json.Unmarshal([]byte(there.does("ash", "export", "restore", first, "--keep-sharing", "--output", "json")), &again))
	assert.Zero(t, again.Added+again.Completed, "nothing new")
	assert.Equal(t, 12, again.There, "three trials, four baths, a water source, an experiment, a workshop, two sheets")
	assert.Equal(t, second, exportedNow(t, there, "ash", dir))
	there.stop()
	code, out := server(t, "verify", "--data", there.data)
	assert.Zero(t, code, out)
	here.stop()
}

// exportedNow exports into a folder of its own and reads it.
func exportedNow(t *testing.T, l *lab, member, dir string) map[string]map[string]map[string]any {
	t.Helper()
	folder := filepath.Join(dir, newID(t))
	l.does(member, "export", folder)
	all := map[string]map[string]map[string]any{}
	for _, file := range []string{"trials.jsonl", "waters.jsonl", "experiments.jsonl", "baths.jsonl"} {
		all[file] = exported(t, folder, file)
	}
	return all
}

// Whoever restores without more is told what isn't as it was, and shares nothing by it.
func TestRestoreSharesNothingByItself(t *testing.T) {
	here := newLab(t, "ash:member,coordinator", "birch")
	here.start()
	s := tell(t, here)
	folder := filepath.Join(t.TempDir(), "export")
	here.does("ash", "export", folder)

	// In the core that it came from, nothing is new, for nobody but its owner.
	a := here.client("ash", "export", "restore", folder, "--output", "csv")
	assert.Zero(t, a.code, a.out+a.errors)
	assert.Contains(t, a.errors, "0 added, 0 completed, 8 there already, 0 left out, 0 differ, 0 refused")
	a = here.client("birch", "export", "restore", folder)
	assert.NotZero(t, a.code)
	assert.Contains(t, a.out, "it is ash's here")
	here.does("ash", "trial", "edit", s.trial, "--title", "another title")
	a = here.client("ash", "export", "restore", folder)
	assert.Equal(t, exitConflict, a.code, a.out)
	assert.Contains(t, a.out, "says otherwise here: title")
	assert.Contains(t, here.does("ash", "trial", "show", s.trial), "another title", "nothing is overwritten")
	here.stop()

	there := newLab(t, "cedar", "birch")
	there.start()
	a = there.client("cedar", "export", "restore", folder)
	assert.Zero(t, a.code, a.out+a.errors)
	assert.Contains(t, a.out, "only a coordinator can set an experiment")
	assert.Contains(t, a.out, "a session counted towards experiment")
	assert.Contains(t, a.out, "was held by birch; it is with you here")
	birch := there.caller(t, "birch")
	trials, err := birch.trials.ListTrials(birch.ctx, &labv1.ListTrialsRequest{})
	require.NoError(t, err)
	assert.Empty(t, trials.GetTrials())
	baths, err := birch.baths.ListBaths(birch.ctx, &labv1.ListBathsRequest{})
	require.NoError(t, err)
	assert.Empty(t, baths.GetBaths())
	water, err := birch.waters.GetWaterSource(birch.ctx, &labv1.GetWaterSourceRequest{WaterSourceId: s.water})
	require.NoError(t, err)
	assert.Empty(t, water.GetPlace(), "nor where the well is")

	// A deleted trial that was brought back stays.
	there.does("cedar", "trial", "undelete", s.deleted)
	there.does("cedar", "export", "restore", folder)
	there.does("cedar", "trial", "show", s.deleted)

	// Where sharing is kept and the holder is a member, the piece goes to them.
	known := newLab(t, "ash", "birch")
	known.start()
	known.does("ash", "export", "restore", folder, "--keep-sharing")
	holder := known.caller(t, "birch")
	piece, err := holder.trials.GetPiece(holder.ctx, &labv1.GetPieceRequest{Piece: s.posted})
	require.NoError(t, err)
	assert.Equal(t, "birch", piece.GetHolder())
	assert.Contains(t, known.does("ash", "export", "restore", folder, "--keep-sharing"), "0 added, 0 completed")
	known.stop()

	// A changed table is told of, a changed record not restored from.
	require.NoError(t, os.WriteFile(filepath.Join(folder, "csv", "looks.csv"), []byte("x"), 0o600))
	a = there.client("cedar", "export", "restore", folder)
	assert.Zero(t, a.code, a.errors)
	assert.Contains(t, a.errors, "csv/looks.csv was changed")
	require.NoError(t, flip(filepath.Join(folder, "trials.jsonl"), 10))
	a = there.client("cedar", "export", "restore", folder)
	assert.Equal(t, exitInvalid, a.code)
	assert.Contains(t, a.errors, "trials.jsonl was changed since the export")
	there.stop()
	code, out := server(t, "verify", "--data", there.data)
	assert.Zero(t, code, out)
}

// What stood on others' records comes in as far as it can be told; a later export completes what an earlier one brought.
func TestRestoreOfWhatStoodOnOthers(t *testing.T) {
	here := newLab(t, "ash", "birch")
	here.start()
	ash, birch := here.caller(t, "ash"), here.caller(t, "birch")
	cone, pot, closed := newID(t), newID(t), newID(t)
	_, err := birch.trials.SubmitTrial(birch.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t),
		Trial: &labv1.Trial{Id: newID(t), Title: "birch's cone (invented)", Pieces: []*labv1.Piece{{Id: cone, Fibre: wool(), Mass: grams(50)}},
			Immersions: []*labv1.Immersion{{Id: newID(t), PieceId: cone, BathId: pot, Position: 1}}},
		Baths: []*labv1.Bath{{Id: pot, Label: "alum", Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_MORDANT}}}})
	require.NoError(t, err)
	_, err = birch.trials.PostPiece(birch.ctx, &labv1.PostPieceRequest{RequestId: newID(t), PieceId: cone, ToMember: "ash"})
	require.NoError(t, err)
	// ash takes a part of it, and dyes that in a pot of birch's.
	_, err = birch.baths.CreateBath(birch.ctx, &labv1.CreateBathRequest{RequestId: newID(t), Bath: &labv1.Bath{Id: closed, Label: "madder", OpenToMembers: true, Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}}})
	require.NoError(t, err)
	trial, part := newID(t), newID(t)
	_, err = ash.trials.SubmitTrial(ash.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: trial, Title: "a part (invented)",
		Pieces:     []*labv1.Piece{{Id: part, Mass: grams(5), Origin: &labv1.PieceOrigin{ParentPieceId: cone, Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: 1}}},
		Immersions: []*labv1.Immersion{{Id: newID(t), PieceId: part, BathId: closed, Position: 1}}}})
	require.NoError(t, err)
	// A deleted trial stood on a pot that birch deleted since: of that ash may only tell that there was a bath.
	lost, gone := newID(t), newID(t)
	pan, err := birch.baths.CreateBath(birch.ctx, &labv1.CreateBathRequest{RequestId: newID(t), Bath: &labv1.Bath{Id: lost, Label: "pan", OpenToMembers: true, Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}}})
	require.NoError(t, err)
	dipped := newID(t)
	answer, err := ash.trials.SubmitTrial(ash.ctx, &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{Id: gone, Title: "given up (invented)",
		Pieces: []*labv1.Piece{{Id: dipped, Fibre: wool(), Mass: grams(2)}}, Immersions: []*labv1.Immersion{{Id: newID(t), PieceId: dipped, BathId: lost, Position: 1}}}})
	require.NoError(t, err)
	_, err = ash.trials.DeleteTrial(ash.ctx, &labv1.DeleteTrialRequest{RequestId: newID(t), TrialId: gone, Etag: answer.GetTrial().GetEtag(), Reason: "moths"})
	require.NoError(t, err)
	_, err = birch.baths.DeleteBath(birch.ctx, &labv1.DeleteBathRequest{RequestId: newID(t), BathId: lost, Etag: pan.GetEtag(), Reason: "rusted through"})
	require.NoError(t, err)
	// An import whose update took a step back.
	row := func(steps int) *labv1.ImportReadingsRequest {
		baths := []*labv1.ImportBath{
			{Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_MORDANT}, Additions: []*labv1.Addition{{Material: "alum", Role: labv1.AdditionRole_ADDITION_ROLE_MORDANT, Amount: grams(1)}}},
			{Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, Additions: []*labv1.Addition{{Material: "weld", Role: labv1.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(1)}}},
		}
		reading := labReading(t, "", nil)
		reading.Id = ""
		return &labv1.ImportReadingsRequest{Source: "invented list", Update: true, Rows: []*labv1.ImportRow{{RowNumber: 1, RowKey: "a", Fibre: wool(), Baths: baths[:steps], Reading: reading}}}
	}
	for _, steps := range []int{2, 1} {
		answer, err := ash.imports.ImportReadings(ash.ctx, row(steps))
		require.NoError(t, err)
		require.NotContains(t, []labv1.ImportOutcome{labv1.ImportOutcome_IMPORT_OUTCOME_REFUSED, labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT}, answer.GetResults()[0].GetOutcome(), answer)
	}
	dir := t.TempDir()
	early := filepath.Join(dir, "early")
	told := here.client("ash", "export", early)
	require.Zero(t, told.code, told.errors)
	assert.Contains(t, told.errors, "not in it, since you may not read it: bath "+lost)

	there := newLab(t, "ash", "birch")
	there.start()
	report := there.does("ash", "export", "restore", early)
	assert.Contains(t, report, "it comes in whole, its history not stated")
	assert.Contains(t, report, "took back are left out")
	assert.Contains(t, report, "it was birch's")
	assert.Contains(t, report, "what was in it is not stated")
	lostTrial, err := there.caller(t, "ash").trials.GetTrial(there.caller(t, "ash").ctx, &labv1.GetTrialRequest{TrialId: gone})
	require.NoError(t, err)
	assert.NotNil(t, lostTrial.GetDeleteTime())
	assert.True(t, lostTrial.GetPieces()[0].GetRoute().GetNotStated())
	now := there.caller(t, "ash")
	piece, err := now.trials.GetPiece(now.ctx, &labv1.GetPieceRequest{Piece: part})
	require.NoError(t, err)
	assert.Nil(t, piece.GetOrigin())
	assert.True(t, piece.GetRoute().GetNotStated())
	assert.Equal(t, "wool", piece.GetFibre().GetComposition()[0].GetFibre())
	list, err := now.trials.ListTrials(now.ctx, &labv1.ListTrialsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetTrials(), 2)
	for _, one := range list.GetTrials() {
		if one.GetId() == trial {
			continue
		}
		imported, err := now.trials.GetTrial(now.ctx, &labv1.GetTrialRequest{TrialId: one.GetId()})
		require.NoError(t, err)
		was, err := ash.trials.GetTrial(ash.ctx, &labv1.GetTrialRequest{TrialId: one.GetId()})
		require.NoError(t, err)
		assert.Equal(t, was.GetPieces()[0].GetRoute().GetText(), imported.GetPieces()[0].GetRoute().GetText(), "what was taken back doesn't come back")
	}

	_, err = ash.trials.AddEntries(ash.ctx, &labv1.AddEntriesRequest{RequestId: newID(t), TrialId: trial, Readings: []*labv1.Reading{labReading(t, part, nil)},
		Pieces: []*labv1.Piece{{Id: newID(t), Label: "later", Fibre: wool(), Mass: grams(2)}}, PieceCorrections: []*labv1.PieceCorrection{{PieceId: part, Mass: grams(4.9), Reason: "weighed again"}}})
	require.NoError(t, err)
	late := filepath.Join(dir, "late")
	here.does("ash", "export", late)
	a := there.client("ash", "export", "restore", late, "--dry-run")
	assert.Contains(t, a.errors+a.out, "it would be: 0 added, 1 completed")
	report = there.does("ash", "export", "restore", late)
	assert.Contains(t, report, "0 added, 1 completed")
	whole, err := now.trials.GetTrial(now.ctx, &labv1.GetTrialRequest{TrialId: trial})
	require.NoError(t, err)
	assert.Len(t, whole.GetPieces(), 2)
	assert.Len(t, whole.GetReadings(), 1)
	assert.InDelta(t, 4.9, whole.GetPieces()[0].GetMass().GetValue(), 1e-9)
	assert.Contains(t, there.does("ash", "export", "restore", late), "0 added, 0 completed")
	there.stop()
	code, out := server(t, "verify", "--data", there.data)
	assert.Zero(t, code, out)
	here.stop()
}

// The invented cooperative, member by member, into an empty core: all of it is taken, routes come out as they were, and the records are sound.
func TestDemoMembersMoveHouse(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*callWithin)
	defer cancel()
	data := t.TempDir()
	out, err := demo(ctx, t, data, "--once").CombinedOutput()
	require.NoError(t, err, "%s", out)
	here := &lab{t: t, data: data, runtime: shortDir(t), tokens: map[string]string{}}
	tokens, err := filepath.Glob(filepath.Join(data, "demo-tokens", "*.token"))
	require.NoError(t, err)
	names := []string{"clover"} // who set the experiments, so that the others' sessions find them
	var members []string
	for _, file := range tokens {
		name := strings.TrimSuffix(filepath.Base(file), ".token")
		here.tokens[name] = file
		members = append(members, name+":member,coordinator")
		if name != "clover" {
			names = append(names, name)
		}
	}
	require.Len(t, names, 5)
	here.start()
	there := newLab(t, members...)
	there.start()
	routes := func(trial map[string]any) map[string]any {
		all := map[string]any{}
		pieces, _ := trial["pieces"].([]any)
		for _, p := range pieces {
			piece := p.(map[string]any)
			route, _ := piece["route"].(map[string]any)
			all[piece["id"].(string)] = route["text"]
		}
		return all
	}
	pieces := 0
	for _, name := range names {
		folder := filepath.Join(t.TempDir(), "export")
		here.does(name, "export", folder)
		a := there.client(name, "export", "restore", folder, "--keep-sharing", "--output", "csv")
		require.Zero(t, a.code, a.out+a.errors)
		want, got := exported(t, folder, "trials.jsonl"), exportedNow(t, there, name, t.TempDir())["trials.jsonl"]
		require.Len(t, got, len(want))
		for id, trial := range want {
			assert.Equal(t, routes(trial), routes(got[id]), id)
			pieces += len(routes(trial))
		}
		a = there.client(name, "export", "restore", folder, "--keep-sharing")
		assert.Contains(t, a.out, "0 added, 0 completed", a.errors)
	}
	assert.Greater(t, pieces, 100)
	t.Logf("%d pieces of %d members", pieces, len(members))
	here.stop()
	there.stop()
	code, text := server(t, "verify", "--data", there.data)
	assert.Zero(t, code, text)
}
