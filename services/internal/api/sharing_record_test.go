package api_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	palettepb "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
)

const public = typespb.SharingLevel_SHARING_LEVEL_PUBLIC

// The states of a trial's sharing. In deleted it was shared, the posted piece came back, and it was deleted.
const (
	stateMine        = "mine"
	stateCooperative = "cooperative"
	statePublic      = "public"
	stateWithdrawn   = "withdrawn" // public first, then mine
	stateDeleted     = "deleted"
)

var states = []string{stateMine, stateCooperative, statePublic, stateWithdrawn, stateDeleted}

// callers are the owner, the holder of the posted piece, another member, a researcher, a coordinator, a steward, and
// nobody, who is the last so that the tokens of the others are proven by then.
var callers = []string{"ada", "bo", "cy", "rosa", "coco", "stella", ""}

const everyMember = "ada bo cy rosa coco stella"

// audience tells who may read a word or figure in each state.
type audience map[string]string

// The audiences.
var (
	// entries of the trial that whoever holds the posted piece has nothing to do with, and all words of its owner
	readers = audience{stateMine: "ada", stateCooperative: everyMember, statePublic: everyMember, stateWithdrawn: "ada", stateDeleted: "ada"}
	// the posted piece: route, fibre, what was measured of it, and the names by which things are called
	withHolder = audience{stateMine: "ada bo", stateCooperative: everyMember, statePublic: everyMember, stateWithdrawn: "ada bo", stateDeleted: "ada"}
	// what the history alone has: what was said before, and why it was changed
	owner = audience{stateMine: "ada", stateCooperative: "ada", statePublic: "ada", stateWithdrawn: "ada", stateDeleted: "ada"}
	// what is no part of the trial and for every member whatever becomes of it: open baths, waters but for their place, experiments
	members = audience{stateMine: everyMember, stateCooperative: everyMember, statePublic: everyMember, stateWithdrawn: everyMember, stateDeleted: everyMember}
	// the licence: for those who may read the trial while it is public; later it is in the history
	licensed = audience{statePublic: everyMember, stateWithdrawn: "ada"}
	// the reason of the deletion
	deletion = audience{stateDeleted: "ada"}
	// why the holder corrected a look of theirs: their own part of the audit trail has it for ever
	holdersReason = audience{stateMine: "ada bo", stateCooperative: everyMember, statePublic: everyMember, stateWithdrawn: "ada bo", stateDeleted: "ada bo"}
)

// m makes a word that is found nowhere by chance, and in no other such word.
func m(name string) string { return "zq" + name + "qz" }

// marker is what a marker looks like.
var marker = regexp.MustCompile(`zq[a-z]+qz`)

// markers is the table of every word and figure of the record: who may read it.
var markers = map[string]audience{
	m("title"): withHolder, m("oldtitle"): owner, m("titlereason"): owner, m("question"): readers, m("abandoned"): readers,
	m("sessionnote"): readers,
	// The posted piece.
	m("label"): withHolder, m("oldlabel"): readers, m("fibre"): withHolder, m("form"): withHolder, m("finish"): withHolder, m("yarn"): withHolder,
	m("massnote"): readers, m("oldmassnote"): readers, "3.210987": withHolder, "3.109876": withHolder, m("piecereason"): readers,
	m("immersionnote"): readers, m("oldimmersionnote"): readers, m("immersionreason"): readers,
	m("look"): readers, m("oldlook"): readers, m("lookreason"): readers,
	"61.234567": withHolder, "62.345678": withHolder, m("readingreason"): readers, m("instrument"): withHolder, m("geometry"): withHolder,
	m("bolook"): withHolder, m("booldlook"): withHolder, m("boreason"): holdersReason,
	// The piece that stays at home.
	m("homelabel"): readers, m("homefibre"): readers, m("homeyarn"): readers, "4.321098": readers, m("homelook"): readers, m("judgedlight"): readers, "52.987654": readers,
	m("homeinstrument"): readers, m("homenote"): readers, m("homegeometry"): readers,
	// The bath that the posted piece was in, and the one of the other piece.
	m("bathlabel"): withHolder, m("oldbathlabel"): owner, m("bathreason"): owner, m("vessel"): withHolder, m("liquornote"): readers,
	m("mordant"): withHolder, m("lot"): withHolder, m("additionnote"): readers, m("oldadditionnote"): readers, m("additionreason"): readers,
	"5.432109": withHolder, "4.567891": withHolder, m("checknote"): readers, m("oldchecknote"): readers, m("checkreason"): readers,
	m("bathlook"): readers, m("dyeone"): withHolder, m("dyetwo"): withHolder,
	m("homebath"): readers, m("homevessel"): readers, m("homedye"): readers, m("homelot"): readers, m("homechecknote"): readers, "7.654321": readers,
	m("blank"): readers,
	// A bath that is open to members, in which no piece of the trial was.
	m("openlabel"): members, m("opendye"): members,
	// The waters: where they are is the owner's to tell, and everything else is for every member.
	m("water"): members, m("kind"): members, m("place"): owner, "123.456789": members, m("samplereason"): members, m("waterreason"): owner, m("oldplace"): owner,
	m("shownwater"): members, m("shownplace"): members,
	m("experiment"): members,
	m("licence"):    licensed, m("deletereason"): deletion,
}

// aim is what a request aims at: the ids of the record, or ids of nothing.
type aim struct {
	trial, held, home, heldCode, homeCode                   string
	heldBath, secondBath, homeBath, blankBath, openBath     string
	water, shown                                            string
	experiment, session, sample, heldReading, look, heldRun string
	run                                                     string // of rosa's, over everything that is shared
	trialEtag, bathEtag, waterEtag                          string
	revision                                                int64
	trialVersions, bathVersions, waterVersions              []int64
}

// nowhere is an aim at what isn't there, of which all else is alike.
func (a aim) nowhere() aim {
	n := a
	for _, id := range []*string{
		&n.trial, &n.held, &n.home, &n.heldBath, &n.secondBath, &n.homeBath, &n.blankBath, &n.openBath, &n.water, &n.shown, &n.experiment, &n.session,
		&n.sample, &n.heldReading, &n.look, &n.heldRun,
	} {
		*id = newID()
	}
	n.heldCode, n.homeCode = "ZZZZZZ", "ZZZZZY"
	return n
}

// withoutNames takes out of a text what the aim names, so that two of them can be told alike.
func (a aim) withoutNames(text string) string {
	for _, name := range []string{
		a.trial, a.held, a.home, a.heldCode, a.homeCode, a.heldBath, a.secondBath, a.homeBath, a.blankBath, a.openBath, a.water, a.shown, a.experiment, a.session, a.sample,
		a.heldReading, a.look, a.heldRun,
	} {
		text = strings.ReplaceAll(text, name, "NAME")
	}
	return text
}

// walked is a core with the record in one of its states.
type walked struct {
	*core
	aim   aim
	state string
	end   string            // the experiment whose creation is the last change, which every member sees
	own   map[string]string // a piece of each member's own
	// what each member may not read, replaced by nothing
	nowhere map[string]aim
}

// withModules gives the server a pool that has modules.
func withModules(t *testing.T) option {
	modules := pipelinetest.Start(t)
	modules.SpoilScores(func(*palettepb.ScorePalettesResponse) {}) // it names its own scores too
	return func(config *api.Config) { config.Register = pooled(t, config.Store, modules, config.Log) }
}

func noted(value float64, note string) *typespb.Amount {
	a := grams(value)
	a.Note = note
	return a
}

func wool(fibre, lot string) *typespb.Fibre {
	return &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: fibre, Percent: 100}}, Lot: lot}
}

func correction(id, reason string) *typespb.Correction {
	return &typespb.Correction{EntryId: id, Reason: reason}
}

// settled is a reading that the pool takes.
func settled(piece string, l float64, instrument, geometry string) *labpb.Reading {
	age := int32(9)
	return &labpb.Reading{
		Id: newID(), PieceId: piece, Raw: lab(l, -5, 40), Instrument: instrument, Geometry: geometry, State: labpb.PieceState_PIECE_STATE_DRY, AgeDays: &age,
	}
}

// experiment makes an experiment of a title.
func (c *core) experiment(title string) string {
	e := anExperiment()
	e.Title = title
	kept, err := c.experiments().CreateExperiment(c.as("coco"), &labpb.CreateExperimentRequest{RequestId: newID(), Experiment: e})
	require.NoError(c.t, err)
	return kept.GetId()
}

// keepWaters makes two waters of ada's: one of which the place is hidden, as it is unless its owner says otherwise, and one of which it is shown.
func (w *walked) keepWaters() {
	t, ada := w.t, w.as("ada")
	hardness := 123.0
	first := &labpb.WaterSample{Id: newID(), HardnessMgPerL: &hardness}
	kept, err := w.waters().CreateWaterSource(ada, &labpb.CreateWaterSourceRequest{RequestId: newID(), WaterSource: &labpb.WaterSource{
		Id: newID(), Name: m("water"), Kind: m("kind"), Place: m("oldplace"), Samples: []*labpb.WaterSample{first}}})
	require.NoError(t, err)
	hardness = 123.456789
	right := &labpb.WaterSample{Id: newID(), HardnessMgPerL: &hardness, Corrects: correction(first.GetId(), m("samplereason"))}
	kept, err = w.waters().AddWaterSample(ada, &labpb.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: kept.GetId(), Sample: right})
	require.NoError(t, err)
	kept, err = w.waters().UpdateWaterSource(ada, &labpb.UpdateWaterSourceRequest{RequestId: newID(), Etag: kept.GetEtag(), Reason: m("waterreason"),
		UpdateMask: fieldsOf("place"), WaterSource: &labpb.WaterSource{Id: kept.GetId(), Place: m("place")}})
	require.NoError(t, err)
	w.aim.water, w.aim.sample, w.aim.waterEtag = kept.GetId(), right.GetId(), kept.GetEtag()
	shown, err := w.waters().CreateWaterSource(ada, &labpb.CreateWaterSourceRequest{RequestId: newID(), WaterSource: &labpb.WaterSource{
		Id: newID(), Name: m("shownwater"), Place: m("shownplace"), PlaceShown: true}})
	require.NoError(t, err)
	w.aim.shown = shown.GetId()
}

// keepTrial makes ada's trial: a piece that is posted to bo, who looks at it, and one that stays at home, in baths of ada's.
func (w *walked) keepTrial() {
	t, ada := w.t, w.as("ada")
	heldBath, second, home, blank := dyeBath(m("dyeone"), 3), dyeBath(m("dyetwo"), 3), dyeBath(m("homedye"), 3), dyeBath("madder", 1)
	blank.Additions, blank.BlankOf = nil, m("blank")
	heldBath.Label, heldBath.Vessel = m("oldbathlabel"), m("vessel")
	heldBath.Liquor = &typespb.Amount{Knowledge: typespb.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Note: m("liquornote")}
	heldBath.WaterParts = []*labpb.WaterPart{{WaterSourceId: w.aim.water, WaterSampleId: w.aim.sample, Parts: 1}}
	wrongAddition := &labpb.Addition{Id: newID(), Material: m("mordant"), Role: labpb.AdditionRole_ADDITION_ROLE_MORDANT, Lot: m("lot"), Amount: noted(5, m("oldadditionnote"))}
	heldBath.Purposes = append(heldBath.Purposes, labpb.BathPurpose_BATH_PURPOSE_MORDANT)
	ph := 4.5
	wrongCheck := &labpb.Check{Id: newID(), Ph: &ph, Note: m("oldchecknote")}
	heldBath.Additions, heldBath.Checks = append(heldBath.Additions, wrongAddition), []*labpb.Check{wrongCheck}
	homePH := 7.654321
	home.Label, home.Vessel, home.Additions[0].Lot = m("homebath"), m("homevessel"), m("homelot")
	home.Checks = []*labpb.Check{{Id: newID(), Ph: &homePH, Note: m("homechecknote")}}

	held := &labpb.Piece{Id: newID(), Label: m("oldlabel"), Mass: noted(3.109876, m("oldmassnote")), Fibre: wool(m("fibre"), m("yarn"))}
	held.Fibre.Form, held.Fibre.Finish = m("form"), m("finish")
	stays := &labpb.Piece{Id: newID(), Label: m("homelabel"), Mass: grams(4.321098), Fibre: wool(m("homefibre"), m("homeyarn"))}
	session := &labpb.Session{Id: newID(), ExperimentId: w.aim.experiment, Note: m("sessionnote")}
	held.SessionId, stays.SessionId = session.GetId(), session.GetId()
	in := func(piece *labpb.Piece, bath *labpb.Bath, position int32, note string) *labpb.Immersion {
		return &labpb.Immersion{Id: newID(), PieceId: piece.GetId(), BathId: bath.GetId(), Position: position, Note: note}
	}
	wrongRun := in(held, heldBath, 1, m("oldimmersionnote"))
	wrongLook := &labpb.Look{Id: newID(), Of: &labpb.Look_PieceId{PieceId: held.GetId()}, Text: m("oldlook")}
	wrongReading := settled(held.GetId(), 62.345678, m("instrument"), m("geometry"))
	kept, err := w.trials().SubmitTrial(ada, &labpb.SubmitTrialRequest{RequestId: newID(), Baths: []*labpb.Bath{heldBath, second, home, blank}, Trial: &labpb.Trial{
		Id: newID(), Title: m("oldtitle"), Question: m("question"), Sessions: []*labpb.Session{session}, Pieces: []*labpb.Piece{held, stays},
		Immersions: []*labpb.Immersion{wrongRun, in(held, second, 2, ""), in(stays, home, 1, m("homenote")), in(stays, blank, 2, "")},
		Looks: []*labpb.Look{
			wrongLook, {Id: newID(), Of: &labpb.Look_PieceId{PieceId: stays.GetId()}, Text: m("homelook")},
			{Id: newID(), Of: &labpb.Look_BathId{BathId: heldBath.GetId()}, Text: m("bathlook")},
		},
		Readings: []*labpb.Reading{wrongReading, settled(stays.GetId(), 52.987654, m("homeinstrument"), m("homegeometry"))},
		Judgements: []*labpb.Judgement{{Id: newID(), FirstPieceId: held.GetId(), SecondPieceId: stays.GetId(), Quality: labpb.JudgedQuality_JUDGED_QUALITY_DEEPER,
			Choice: labpb.JudgedChoice_JUDGED_CHOICE_FIRST, Light: m("judgedlight")}},
	}})
	require.NoError(t, err)
	id := kept.GetTrial().GetId()
	_, err = w.trials().UpdateTrial(ada, &labpb.UpdateTrialRequest{RequestId: newID(), Etag: kept.GetTrial().GetEtag(), Reason: m("titlereason"),
		UpdateMask: fieldsOf("title"), Trial: &labpb.Trial{Id: id, Title: m("title")}})
	require.NoError(t, err)

	label := m("label")
	run, look, reading := in(held, heldBath, 1, m("immersionnote")), proto.CloneOf(wrongLook), settled(held.GetId(), 61.234567, m("instrument"), m("geometry"))
	run.Corrects, reading.Corrects = correction(wrongRun.GetId(), m("immersionreason")), correction(wrongReading.GetId(), m("readingreason"))
	look.Id, look.Text, look.Corrects = newID(), m("look"), correction(wrongLook.GetId(), m("lookreason"))
	_, err = w.trials().AddEntries(ada, &labpb.AddEntriesRequest{RequestId: newID(), TrialId: id,
		Immersions: []*labpb.Immersion{run}, Looks: []*labpb.Look{look}, Readings: []*labpb.Reading{reading},
		PieceCorrections: []*labpb.PieceCorrection{{PieceId: held.GetId(), Label: &label, Mass: noted(3.210987, m("massnote")), Reason: m("piecereason")}}})
	require.NoError(t, err)

	ph = 4.567891
	bath, err := w.baths().AddToBath(ada, &labpb.AddToBathRequest{RequestId: newID(), BathId: heldBath.GetId(),
		Additions: []*labpb.Addition{{Id: newID(), Material: m("mordant"), Role: labpb.AdditionRole_ADDITION_ROLE_MORDANT, Lot: m("lot"), Amount: noted(5.432109, m("additionnote")),
			Corrects: correction(wrongAddition.GetId(), m("additionreason"))}},
		Checks: []*labpb.Check{{Id: newID(), Ph: &ph, Note: m("checknote"), Corrects: correction(wrongCheck.GetId(), m("checkreason"))}}})
	require.NoError(t, err)
	_, err = w.baths().UpdateBath(ada, &labpb.UpdateBathRequest{RequestId: newID(), Etag: bath.GetEtag(), Reason: m("bathreason"),
		UpdateMask: fieldsOf("label"), Bath: &labpb.Bath{Id: bath.GetId(), Label: m("bathlabel")}})
	require.NoError(t, err)
	open := dyeBath(m("opendye"), 1)
	open.Label, open.OpenToMembers = m("openlabel"), true
	_, err = w.baths().CreateBath(ada, &labpb.CreateBathRequest{RequestId: newID(), Bath: open})
	require.NoError(t, err)

	post(t, w.core, "ada", held.GetId(), "bo")
	theirs := &labpb.Look{Id: newID(), Of: wrongLook.GetOf(), Text: m("booldlook")}
	for _, l := range []*labpb.Look{theirs, {Id: newID(), Of: wrongLook.GetOf(), Text: m("bolook"), Corrects: correction(theirs.GetId(), m("boreason"))}} {
		_, err = w.trials().AddEntries(w.as("bo"), &labpb.AddEntriesRequest{RequestId: newID(), TrialId: id, Looks: []*labpb.Look{l}})
		require.NoError(t, err)
	}
	_, err = w.trials().SetTrialState(ada, &labpb.SetTrialStateRequest{RequestId: newID(), TrialId: id, State: labpb.TrialState_TRIAL_STATE_ABANDONED, AbandonedReason: m("abandoned")})
	require.NoError(t, err)

	w.aim.trial, w.aim.held, w.aim.home, w.aim.session = id, held.GetId(), stays.GetId(), session.GetId()
	w.aim.heldCode, w.aim.homeCode = kept.GetTrial().GetPieces()[0].GetCode(), kept.GetTrial().GetPieces()[1].GetCode()
	w.aim.heldBath, w.aim.secondBath, w.aim.homeBath, w.aim.blankBath, w.aim.openBath = heldBath.GetId(), second.GetId(), home.GetId(), blank.GetId(), open.GetId()
	w.aim.heldReading, w.aim.look, w.aim.heldRun = reading.GetId(), look.GetId(), run.GetId()
}

func post(t testing.TB, c *core, from, piece, to string) {
	t.Helper()
	_, err := c.trials().PostPiece(c.as(from), &labpb.PostPieceRequest{RequestId: newID(), PieceId: piece, ToMember: to})
	require.NoError(t, err)
}

// share sets who may read a trial, as its owner does.
func (c *core) share(id string, level typespb.SharingLevel, licence string) *labpb.Trial {
	c.t.Helper()
	shared, err := c.trials().ShareTrial(c.as("ada"), &labpb.ShareTrialRequest{RequestId: newID(), TrialId: id, Sharing: &typespb.Sharing{Level: level, Licence: licence}})
	require.NoError(c.t, err)
	return shared
}

// walk makes the record, brings it into a state, and waits until the pool has it.
func walk(t *testing.T, state string) *walked {
	t.Helper()
	w := &walked{core: start(t, withModules(t)), state: state, own: map[string]string{}, nowhere: map[string]aim{}}
	w.aim.experiment = w.experiment(m("experiment"))
	w.keepWaters()
	w.keepTrial()
	for _, member := range callers[:len(callers)-1] { // a piece of everybody's own, to hold others against
		request := smallTrial()
		request.Trial.Readings = []*labpb.Reading{settled(request.GetTrial().GetPieces()[0].GetId(), 70, "", "")}
		kept, err := w.trials().SubmitTrial(w.as(member), request)
		require.NoError(t, err)
		w.own[member] = kept.GetTrial().GetPieces()[0].GetId()
	}
	w.aim.run = newID()
	switch state {
	case stateCooperative:
		w.share(w.aim.trial, cooperative, "")
	case statePublic:
		w.share(w.aim.trial, public, m("licence"))
	case stateWithdrawn:
		w.share(w.aim.trial, public, m("licence"))
		w.score() // while it is shared
		w.share(w.aim.trial, mine, "")
	case stateDeleted:
		w.share(w.aim.trial, cooperative, "")
		post(t, w.core, "bo", w.aim.held, "ada")
		_, err := w.trials().DeleteTrial(w.as("ada"), &labpb.DeleteTrialRequest{RequestId: newID(), TrialId: w.aim.trial,
			Etag: w.trial("ada", w.aim.trial).GetEtag(), Reason: m("deletereason")})
		require.NoError(t, err)
	}
	w.end = w.experiment("the end of the record")
	kept := w.trial("ada", w.aim.trial)
	w.aim.trialEtag, w.aim.revision = kept.GetEtag(), kept.GetRevision()
	bath, err := w.baths().GetBath(w.as("ada"), &labpb.GetBathRequest{BathId: w.aim.heldBath})
	require.NoError(t, err)
	w.aim.bathEtag = bath.GetEtag()
	w.aim.trialVersions = w.versions(labpb.RecordKind_RECORD_KIND_TRIAL, w.aim.trial)
	w.aim.bathVersions = w.versions(labpb.RecordKind_RECORD_KIND_BATH, w.aim.heldBath)
	w.aim.waterVersions = w.versions(labpb.RecordKind_RECORD_KIND_WATER_SOURCE, w.aim.water)
	if state != stateWithdrawn {
		w.score()
	}
	w.caughtUp()
	return w
}

// caughtUp waits until the pool has everything.
func (w *walked) caughtUp() {
	require.Eventually(w.t, func() bool {
		status, err := poolpb.NewPoolServiceClient(w.conn).GetPoolStatus(w.as("ada"), &poolpb.GetPoolStatusRequest{})
		return err == nil && status.GetPoolRevision() == w.store.Revision()
	}, time.Minute, 5*time.Millisecond)
}

// score has a researcher make a run over everything that is shared now.
func (w *walked) score() {
	w.caughtUp()
	client := catalogpb.NewRunServiceClient(w.conn)
	_, err := client.CreateRun(w.as("rosa"), &catalogpb.CreateRunRequest{
		RunId: w.aim.run, Title: "by cells", Question: &catalogpb.RunQuestion{GroupBy: poolpb.GroupBy_GROUP_BY_FIBRE}, Modules: []*catalogpb.RunModule{{Name: "palette"}},
	})
	require.NoError(w.t, err)
	require.Eventually(w.t, func() bool {
		run, err := client.GetRun(w.as("coco"), &catalogpb.GetRunRequest{RunId: w.aim.run})
		require.NoError(w.t, err)
		return run.GetState() == catalogpb.RunState_RUN_STATE_DONE
	}, time.Minute, 5*time.Millisecond)
}

// versions are the revisions of a record's versions, as its owner is told, oldest first.
func (w *walked) versions(kind labpb.RecordKind, id string) (revisions []int64) {
	answer, err := w.history().ListVersions(w.as("ada"), &labpb.ListVersionsRequest{RecordKind: kind, RecordId: id, PageSize: 200})
	require.NoError(w.t, err)
	for _, version := range answer.GetVersions() {
		revisions = append([]int64{version.GetRevision()}, revisions...)
	}
	return revisions
}
