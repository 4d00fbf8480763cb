package crash

import (
	"fmt"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// operation is a sort of write that members do. A new writing method of the interface gets a row in the table of operations, and
// what it makes and sets is told in effectsOf.
type operation struct {
	name   string
	weight int // how often, beside the others
	method string
	answer func() proto.Message
	// request may be nil.
	request func() proto.Message
	// make gives a request of a member's, or nil when nothing there suits.
	make func(*maker) proto.Message
}

const (
	trialService  = "/commonvat.lab.v1.TrialService/"
	bathService   = "/commonvat.lab.v1.BathService/"
	waterService  = "/commonvat.lab.v1.WaterService/"
	importService = "/commonvat.lab.v1.ImportService/"
)

func message[M any, P interface {
	*M
	proto.Message
}]() proto.Message {
	return P(new(M))
}

var operations = []operation{
	{"submit a trial with its baths", 6, trialService + "SubmitTrial", message[labv1.SubmitTrialResponse], message[labv1.SubmitTrialRequest], (*maker).submit},
	{"add entries", 8, trialService + "AddEntries", message[labv1.Trial], message[labv1.AddEntriesRequest], (*maker).addEntries},
	{"correct entries", 5, trialService + "AddEntries", message[labv1.Trial], message[labv1.AddEntriesRequest], (*maker).correct},
	{"take a part of a piece", 2, trialService + "AddEntries", message[labv1.Trial], message[labv1.AddEntriesRequest], (*maker).takePart},
	{"use another's bath", 3, trialService + "AddEntries", message[labv1.Trial], message[labv1.AddEntriesRequest], (*maker).useOthersBath},
	{"add to a bath", 6, bathService + "AddToBath", message[labv1.Bath], message[labv1.AddToBathRequest], (*maker).addToBath},
	{"create a bath", 1, bathService + "CreateBath", message[labv1.Bath], message[labv1.CreateBathRequest], (*maker).createBath},
	{"post a piece", 2, trialService + "PostPiece", message[labv1.Piece], message[labv1.PostPieceRequest], (*maker).postPiece},
	{"share or withdraw", 3, trialService + "ShareTrial", message[labv1.Trial], message[labv1.ShareTrialRequest], (*maker).share},
	{"set a state", 2, trialService + "SetTrialState", message[labv1.Trial], message[labv1.SetTrialStateRequest], (*maker).setState},
	{"create a water source", 2, waterService + "CreateWaterSource", message[labv1.WaterSource], message[labv1.CreateWaterSourceRequest], (*maker).createWater},
	{"add a water sample", 3, waterService + "AddWaterSample", message[labv1.WaterSource], message[labv1.AddWaterSampleRequest], (*maker).addSample},
	{"update a trial", 4, trialService + "UpdateTrial", message[labv1.Trial], message[labv1.UpdateTrialRequest], (*maker).updateTrial},
	{"update a bath", 5, bathService + "UpdateBath", message[labv1.Bath], message[labv1.UpdateBathRequest], (*maker).updateBath},
	{"update a water source", 2, waterService + "UpdateWaterSource", message[labv1.WaterSource], message[labv1.UpdateWaterSourceRequest], (*maker).updateWater},
	{"delete a trial", 2, trialService + "DeleteTrial", message[labv1.Trial], message[labv1.DeleteTrialRequest], (*maker).deleteTrial},
	{"undelete a trial", 2, trialService + "UndeleteTrial", message[labv1.Trial], message[labv1.UndeleteTrialRequest], (*maker).undeleteTrial},
	{"delete a bath", 3, bathService + "DeleteBath", message[labv1.Bath], message[labv1.DeleteBathRequest], (*maker).deleteBath},
	{"undelete a bath", 6, bathService + "UndeleteBath", message[labv1.Bath], message[labv1.UndeleteBathRequest], (*maker).undeleteBath},
	{"delete a water source", 2, waterService + "DeleteWaterSource", message[labv1.WaterSource], message[labv1.DeleteWaterSourceRequest], (*maker).deleteWater},
	{"undelete a water source", 2, waterService + "UndeleteWaterSource", message[labv1.WaterSource], message[labv1.UndeleteWaterSourceRequest], (*maker).undeleteWater},
	{"correct a label or fibre", 3, trialService + "AddEntries", message[labv1.Trial], message[labv1.AddEntriesRequest], (*maker).correctPiece},
	{"correct a water sample", 2, waterService + "AddWaterSample", message[labv1.WaterSource], message[labv1.AddWaterSampleRequest], (*maker).correctSample},
	{"import readings", 2, importService + "ImportReadings", message[labv1.ImportReadingsResponse], message[labv1.ImportReadingsRequest], (*maker).importReadings},
}

func operationNamed(name string) (operation, error) {
	for _, o := range operations {
		if o.name == name {
			return o, nil
		}
	}
	return operation{}, fmt.Errorf("there is no operation %q", name)
}

// effects are what a write does: what it makes, each once, and what it sets until another write sets it.
type effects struct {
	requestID string // empty for what is safe to repeat by its own keys
	records   []string
	entries   map[string]proto.Message // by id; nil where what was sent is not what is kept
	sets      map[string]string
}

func effectsOf(request proto.Message) effects {
	e := effects{entries: map[string]proto.Message{}, sets: map[string]string{}}
	if identified, ok := request.(interface{ GetRequestId() string }); ok {
		e.requestID = identified.GetRequestId()
	}
	switch r := request.(type) {
	case *labv1.SubmitTrialRequest:
		t := r.GetTrial()
		e.records = append(e.records, t.GetId())
		e.entries[t.GetId()] = nil
		e.ofTrial(t.GetSessions(), t.GetPieces(), t.GetImmersions(), t.GetLooks(), t.GetReadings())
		e.sets["sharing of trial "+t.GetId()] = t.GetSharing().GetLevel().String()
		e.sets["title of trial "+t.GetId()] = t.GetTitle()
		e.sets["deleted "+t.GetId()] = "false"
		for _, b := range r.GetBaths() {
			e.ofBath(b)
		}
	case *labv1.AddEntriesRequest:
		e.records = append(e.records, r.GetTrialId())
		e.ofTrial(r.GetSessions(), r.GetPieces(), r.GetImmersions(), r.GetLooks(), r.GetReadings())
		for _, c := range r.GetPieceCorrections() {
			e.entries[c.GetReason()] = nil
			if c.Label != nil {
				e.sets["label of piece "+c.GetPieceId()] = c.GetLabel()
			}
			if c.GetFibre() != nil {
				e.sets["fibre lot of piece "+c.GetPieceId()] = c.GetFibre().GetLot()
			}
		}
	case *labv1.SetTrialStateRequest:
		e.records = append(e.records, r.GetTrialId())
		e.sets["state of trial "+r.GetTrialId()] = r.GetState().String()
	case *labv1.ShareTrialRequest:
		e.records = append(e.records, r.GetTrialId())
		e.sets["sharing of trial "+r.GetTrialId()] = r.GetSharing().GetLevel().String()
	case *labv1.PostPieceRequest:
		e.sets["holder of piece "+r.GetPieceId()] = r.GetToMember()
	case *labv1.CreateBathRequest:
		e.ofBath(r.GetBath())
	case *labv1.AddToBathRequest:
		e.records = append(e.records, r.GetBathId())
		e.ofBathEntries(r.GetAdditions(), r.GetChecks())
		if r.OpenToMembers != nil {
			e.sets["bath open "+r.GetBathId()] = fmt.Sprint(r.GetOpenToMembers())
		}
	case *labv1.UpdateTrialRequest:
		e.records = append(e.records, r.GetTrial().GetId())
		e.sets["title of trial "+r.GetTrial().GetId()] = r.GetTrial().GetTitle()
	case *labv1.UpdateBathRequest:
		b := r.GetBath()
		e.records = append(e.records, b.GetId())
		for _, path := range r.GetUpdateMask().GetPaths() {
			e.sets[path+" of bath "+b.GetId()] = said(b)[path]
		}
	case *labv1.UpdateWaterSourceRequest:
		e.records = append(e.records, r.GetWaterSource().GetId())
		e.sets["what water "+r.GetWaterSource().GetId()+" says"] = saidOfWater(r.GetWaterSource())
	case *labv1.DeleteTrialRequest:
		e.deletes(r.GetTrialId(), true)
	case *labv1.UndeleteTrialRequest:
		e.deletes(r.GetTrialId(), false)
	case *labv1.DeleteBathRequest:
		e.deletes(r.GetBathId(), true)
	case *labv1.UndeleteBathRequest:
		e.deletes(r.GetBathId(), false)
	case *labv1.DeleteWaterSourceRequest:
		e.deletes(r.GetWaterSourceId(), true)
	case *labv1.UndeleteWaterSourceRequest:
		e.deletes(r.GetWaterSourceId(), false)
	case *labv1.CreateWaterSourceRequest:
		e.sets["deleted "+r.GetWaterSource().GetId()] = "false"
		e.sets["what water "+r.GetWaterSource().GetId()+" says"] = saidOfWater(r.GetWaterSource())
		e.records = append(e.records, r.GetWaterSource().GetId())
		e.entries[r.GetWaterSource().GetId()] = nil
	case *labv1.AddWaterSampleRequest:
		e.records = append(e.records, r.GetWaterSourceId())
		e.entries[r.GetSample().GetId()] = r.GetSample()
	case *labv1.ImportReadingsRequest:
		for _, row := range r.GetRows() {
			e.entries[row.GetReading().GetInstrument()] = nil
		}
	}
	return e
}

func (e *effects) deletes(id string, gone bool) {
	e.records = append(e.records, id)
	e.sets["deleted "+id] = fmt.Sprint(gone)
}

// said is what a bath says of itself in the fields that the workload updates, by their paths.
func said(b *labv1.Bath) map[string]string {
	waters := ""
	for _, p := range b.GetWaterParts() {
		waters += fmt.Sprintf("%v of %s;", p.GetParts(), p.GetWaterSourceId())
	}
	return map[string]string{"label": b.GetLabel(), "liquor": fmt.Sprint(b.GetLiquor().GetValue()), "water_parts": waters}
}

func saidOfWater(w *labv1.WaterSource) string {
	return fmt.Sprintf("%s, %s, %s", w.GetName(), w.GetKind(), w.GetPlace())
}

func (e *effects) ofTrial(sessions []*labv1.Session, pieces []*labv1.Piece, immersions []*labv1.Immersion, looks []*labv1.Look, readings []*labv1.Reading) {
	for _, one := range sessions {
		e.entries[one.GetId()] = nil
	}
	for _, one := range pieces {
		e.entries[one.GetId()] = nil
		e.sets["label of piece "+one.GetId()] = one.GetLabel()
		if one.GetOrigin() == nil {
			e.sets["fibre lot of piece "+one.GetId()] = one.GetFibre().GetLot()
		}
	}
	for _, one := range immersions {
		e.entries[one.GetId()] = one
	}
	for _, one := range looks {
		e.entries[one.GetId()] = one
	}
	for _, one := range readings {
		e.entries[one.GetId()] = one
	}
}

func (e *effects) ofBath(b *labv1.Bath) {
	e.records = append(e.records, b.GetId())
	e.entries[b.GetId()] = nil
	e.ofBathEntries(b.GetAdditions(), b.GetChecks())
	e.sets["bath open "+b.GetId()] = fmt.Sprint(b.GetOpenToMembers())
	e.sets["deleted "+b.GetId()] = "false"
	for path, text := range said(b) {
		e.sets[path+" of bath "+b.GetId()] = text
	}
}

func (e *effects) ofBathEntries(additions []*labv1.Addition, checks []*labv1.Check) {
	for _, one := range additions {
		e.entries[one.GetId()] = one
	}
	for _, one := range checks {
		e.entries[one.GetId()] = one
	}
}

// settings is what the state says of a key of effects.sets.
func (s *State) settings() map[string]string {
	all := map[string]string{}
	for id, t := range s.Trials {
		all["sharing of trial "+id] = t.GetSharing().GetLevel().String()
		all["state of trial "+id] = t.GetState().String()
		for _, p := range t.GetPieces() {
			all["holder of piece "+p.GetId()] = p.GetHolder()
			all["label of piece "+p.GetId()] = p.GetLabel()
			all["fibre lot of piece "+p.GetId()] = p.GetFibre().GetLot()
		}
		all["title of trial "+id] = t.GetTitle()
		all["deleted "+id] = fmt.Sprint(t.GetDeleteTime() != nil)
	}
	for id, b := range s.Baths {
		all["bath open "+id] = fmt.Sprint(b.GetOpenToMembers())
		all["deleted "+id] = fmt.Sprint(b.GetDeleteTime() != nil)
		for path, text := range said(b) {
			all[path+" of bath "+id] = text
		}
	}
	for id, w := range s.Waters {
		all["deleted "+id] = fmt.Sprint(w.GetDeleteTime() != nil)
		all["what water "+id+" says"] = saidOfWater(w)
	}
	return all
}

// revisionIn is the store's revision that an answer tells; 0 where it tells none.
func revisionIn(answer proto.Message) int64 {
	switch a := answer.(type) {
	case *labv1.SubmitTrialResponse:
		return a.GetTrial().GetRevision()
	case interface{ GetRevision() int64 }:
		return a.GetRevision()
	}
	return 0
}

func uuidOf(b []byte) string {
	id, err := uuid.FromBytes(b)
	if err != nil {
		return fmt.Sprintf("%x", b)
	}
	return id.String()
}
