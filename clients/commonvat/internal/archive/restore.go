package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Options say how to restore.
type Options struct {
	DryRun      bool // read both sides and write nothing
	KeepSharing bool // share, open and post as it was; else all is the caller's alone
}

// Restore puts a folder into a core as the caller's own. The report is nil when nothing was begun; with an error it tells how far it came. Every
// request is named after what it says, so that restoring again goes on where an earlier time was broken off.
// Errors: ErrFolder; of the core, when it can't be asked. What the core refuses is in the report.
func Restore(ctx context.Context, core *Core, f *Folder, o Options) (*Report, error) {
	me, err := ask(ctx, core, core.Access.GetCurrentMember, &accessv1.GetCurrentMemberRequest{})
	if err != nil {
		return nil, err
	}
	members, err := ask(ctx, core, core.Access.ListMembers, &accessv1.ListMembersRequest{})
	if err != nil {
		return nil, err
	}
	r := &restoring{
		core: core, in: f, o: o, now: time.Now(), me: me.GetId(), from: f.Manifest.Member, members: map[string]bool{},
		coordinator: slices.Contains(me.GetRoles(), accessv1.Role_ROLE_COORDINATOR),
		report:      &Report{Member: me.GetId(), From: f.Manifest.Member, DryRun: o.DryRun},
		waters:      map[string]*labv1.WaterSource{}, foreign: map[string]int64{}, baths: map[string]string{}, experiments: map[string]bool{},
		parents: map[string]bool{}, pieces: map[string]*piecePlan{}, taken: map[string][]string{},
	}
	for _, m := range members.GetMembers() {
		r.members[m.GetId()] = true
	}
	err = r.run(ctx)
	r.report.count()
	return r.report, err
}

type restoring struct {
	core        *Core
	in          *Folder
	o           Options
	now         time.Time
	me, from    string
	coordinator bool
	members     map[string]bool
	report      *Report

	waters      map[string]*labv1.WaterSource // by id in the folder, as it is here; nil where it isn't
	foreign     map[string]int64              // baths of others in the folder, and where they stand
	baths       map[string]string             // by id in the folder, the id here
	experiments map[string]bool               // whether it can be named here
	parents     map[string]bool               // pieces from elsewhere, and whether parts can come from them here
	plans       []*trialPlan
	pieces      map[string]*piecePlan
	taken       map[string][]string // pieces that were taken, by parent
	toDelete    []deletion
}

type deletion struct {
	kind labv1.RecordKind
	id   string
	row  *Row
}

func (r *restoring) run(ctx context.Context) error {
	if err := records(r.in, watersFile, func(w *labv1.WaterSource, _ int64) error { return r.water(ctx, w) }); err != nil {
		return err
	}
	if err := records(r.in, experimentsFile, func(e *labv1.Experiment, _ int64) error { return r.experiment(ctx, e) }); err != nil {
		return err
	}
	err := records(r.in, bathsFile, func(b *labv1.Bath, at int64) error {
		if b.GetOwner() != r.from {
			r.foreign[b.GetId()] = at // taken in when a piece needs it
			return nil
		}
		return r.ownBath(ctx, b)
	})
	if err != nil {
		return err
	}
	if err := r.trials(ctx); err != nil {
		return err
	}
	if err := r.deletions(ctx); err != nil {
		return err
	}
	return r.bench(ctx)
}

// seal names a request after what it says and who sends it, so that the same request has the same id whenever it is sent.
func (r *restoring) seal(id string, request proto.Message) (string, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		return "", err
	}
	if err := ids.Check(id); err != nil {
		return "", bad("id: %v", err)
	}
	sum := sha256.Sum256(raw)
	return ids.Derive(id, "restore", r.me, string(request.ProtoReflect().Descriptor().FullName()), hex.EncodeToString(sum[:])), nil
}

// ofOthers is the id under which a record of another's comes in as the caller's own; its own id stays free for its owner.
func (r *restoring) ofOthers(id string) (string, error) {
	if err := ids.Check(id); err != nil {
		return "", bad("id: %v", err)
	}
	return ids.Derive(id, "restored by", r.me), nil
}

// judged tells whether an error is the core's word on one record; any other breaks off.
func judged(err error) bool {
	switch status.Code(err) {
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.PermissionDenied, codes.FailedPrecondition, codes.Aborted, codes.OutOfRange:
		return true
	}
	return false
}

const maxFaults = 10

func said(err error) string {
	s := status.Convert(err)
	text := []string{s.Message()}
	for _, d := range s.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for i, v := range b.GetFieldViolations() {
				if i == maxFaults {
					text = append(text, fmt.Sprintf("and %d more", len(b.GetFieldViolations())-i))
					break
				}
				text = append(text, v.GetField()+": "+v.GetDescription())
			}
		}
	}
	return strings.Join(text, "; ")
}

// refused puts the core's word into the report; what is no word on the record is given back.
func refused(row *Row, err error) error {
	if err == nil || !judged(err) {
		return err
	}
	row.worse(Refused)
	row.note(said(err))
	return nil
}

// differing lists the fields in which two records say otherwise, those of the core and those to skip aside.
func differing(want, have proto.Message, skip ...protoreflect.Name) []string {
	a, b := given(want).ProtoReflect(), given(have).ProtoReflect()
	var names []string
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if theCores[f.Name()] || slices.Contains(skip, f.Name()) {
			continue
		}
		if a.Has(f) != b.Has(f) || !a.Get(f).Equal(b.Get(f)) {
			names = append(names, string(f.Name()))
		}
	}
	return names
}

func (r *Row) compare(want, have proto.Message, skip ...protoreflect.Name) {
	if names := differing(want, have, skip...); len(names) > 0 {
		r.worse(Differs)
		r.note("says otherwise here: " + strings.Join(names, ", "))
	}
}

type entry interface {
	proto.Message
	GetId() string
}

// lacking gives the entries that aren't there yet, and notes those that say otherwise.
func lacking[E entry](row *Row, what string, want, have []E) []E {
	here := make(map[string]E, len(have))
	for _, h := range have {
		here[h.GetId()] = h
	}
	var add []E
	for _, w := range want {
		h, ok := here[w.GetId()]
		switch {
		case !ok:
			add = append(add, w)
		case !proto.Equal(given(w), given(h)):
			row.worse(Differs)
			row.note(fmt.Sprintf("%s %s says otherwise here: %s", what, w.GetId(), strings.Join(differing(w, h), ", ")))
		}
	}
	return add
}

// clipped puts a note behind a name, within so many characters.
func clipped(name, note string, most int) string {
	runes := []rune(name)
	return string(runes[:min(len(runes), max(most-len([]rune(note)), 0))]) + note
}

// waterName is what a water of another's is called here. Names are each once in a cooperative, and another member may bring
// the same water along.
func waterName(name, owner, by, id string) string {
	note := " (" + owner + "'s, by " + by + ")"
	if len(note) > maxWaterName/2 { // member ids have up to 32 letters
		note = " (" + owner + "'s, " + id[max(len(id)-6, 0):] + ")"
	}
	return clipped(name, note, maxWaterName)
}

const (
	maxWaterName   = 60
	maxBathLabel   = 80
	samplesAtOnce  = 500
	notReadableWas = "of another member, not readable in the export"
)

func (r *restoring) water(ctx context.Context, w *labv1.WaterSource) error {
	id, name, foreign := w.GetId(), w.GetName(), w.GetOwner() != r.from
	get := func(id string) (*labv1.WaterSource, error) {
		have, err := ask(ctx, r.core, r.core.Waters.GetWaterSource, &labv1.GetWaterSourceRequest{WaterSourceId: id})
		if status.Code(err) == codes.NotFound {
			return nil, nil //nolint:nilnil // it isn't there
		}
		return have, err
	}
	have, err := get(id)
	if err != nil {
		return err
	}
	if foreign && have != nil {
		r.waters[w.GetId()] = have
		return nil
	}
	if foreign {
		if id, err = r.ofOthers(id); err != nil {
			return err
		}
		name = waterName(name, w.GetOwner(), r.me, id)
		if have, err = get(id); err != nil {
			return err
		}
	}
	row := r.report.row("water source", id, name)
	if foreign {
		row.note("it was " + w.GetOwner() + "'s")
	}
	want := given(w)
	want.Id, want.Name = id, name
	if !r.o.KeepSharing {
		want.PlaceShown = false
	}
	if have != nil {
		r.waters[w.GetId()] = have
		row.worse(There)
		if have.GetOwner() != r.me {
			row.worse(Differs)
			row.note("it is " + have.GetOwner() + "'s here")
			return nil
		}
		row.compare(want, have, "samples", "place_shown")
		add := lacking(row, "sample", want.GetSamples(), have.GetSamples())
		if len(add) > 0 {
			row.worse(Completed)
			err = r.samples(ctx, row, w.GetId(), id, add)
		}
		r.deleted(labv1.RecordKind_RECORD_KIND_WATER_SOURCE, id, w, row)
		return err
	}
	row.worse(Added)
	r.waters[w.GetId()] = want
	r.deleted(labv1.RecordKind_RECORD_KIND_WATER_SOURCE, id, w, row)
	if r.o.DryRun {
		return nil
	}
	rest := want.GetSamples()[min(samplesAtOnce, len(want.GetSamples())):]
	first := given(want)
	first.Samples = first.GetSamples()[:len(first.GetSamples())-len(rest)]
	request := &labv1.CreateWaterSourceRequest{WaterSource: first}
	if request.RequestId, err = r.seal(id, request); err != nil {
		return err
	}
	made, err := ask(ctx, r.core, r.core.Waters.CreateWaterSource, request)
	if err != nil {
		r.waters[w.GetId()] = nil
		return refused(row, err)
	}
	r.waters[w.GetId()] = made
	return r.samples(ctx, row, w.GetId(), id, rest)
}

func (r *restoring) samples(ctx context.Context, row *Row, inFolder, id string, add []*labv1.WaterSample) error {
	if r.o.DryRun {
		return nil
	}
	for _, s := range add {
		request := &labv1.AddWaterSampleRequest{WaterSourceId: id, Sample: given(s)}
		var err error
		if request.RequestId, err = r.seal(id, request); err != nil {
			return err
		}
		have, err := ask(ctx, r.core, r.core.Waters.AddWaterSample, request)
		if err != nil {
			return refused(row, err)
		}
		r.waters[inFolder] = have
	}
	return nil
}

func (r *restoring) experiment(ctx context.Context, e *labv1.Experiment) error {
	have, err := ask(ctx, r.core, r.core.Experiments.GetExperiment, &labv1.GetExperimentRequest{ExperimentId: e.GetId()})
	row := r.report.row("experiment", e.GetId(), e.GetTitle())
	want := given(e)
	for i, id := range want.GetWaterSourceIds() {
		if here := r.waters[id]; here != nil {
			want.WaterSourceIds[i] = here.GetId()
		} else if status.Code(err) == codes.NotFound {
			row.worse(LeftOut)
			row.note("it compares water source " + id + ", which is not here")
			return nil
		}
	}
	switch {
	case err == nil:
		row.worse(There)
		row.compare(want, have)
		if have.GetOwner() == r.me {
			r.deleted(labv1.RecordKind_RECORD_KIND_EXPERIMENT, e.GetId(), e, row)
		}
		return nil
	case status.Code(err) != codes.NotFound:
		return err
	case !r.coordinator:
		row.worse(LeftOut)
		row.note("only a coordinator can set an experiment")
		return nil
	}
	row.worse(Added)
	r.experiments[e.GetId()] = true
	r.deleted(labv1.RecordKind_RECORD_KIND_EXPERIMENT, e.GetId(), e, row)
	if r.o.DryRun {
		return nil
	}
	request := &labv1.CreateExperimentRequest{Experiment: want}
	if request.RequestId, err = r.seal(e.GetId(), request); err != nil {
		return err
	}
	if _, err = ask(ctx, r.core, r.core.Experiments.CreateExperiment, request); err != nil {
		r.experiments[e.GetId()] = false
	}
	return refused(row, err)
}

// sharing is who may read a record here.
func (r *restoring) sharing(was *typesv1.Sharing) *typesv1.Sharing {
	if r.o.KeepSharing {
		return &typesv1.Sharing{Level: was.GetLevel(), Licence: was.GetLicence()}
	}
	return &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_MINE}
}
