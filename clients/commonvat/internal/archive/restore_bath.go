package archive

import (
	"context"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"
)

func (r *restoring) getBath(ctx context.Context, id string) (*labv1.Bath, error) {
	have, err := ask(ctx, r.core, r.core.Baths.GetBath, &labv1.GetBathRequest{BathId: id})
	if status.Code(err) == codes.NotFound {
		return nil, nil //nolint:nilnil // it isn't there
	}
	return have, err
}

func (r *restoring) ownBath(ctx context.Context, b *labv1.Bath) error {
	row := r.report.row("bath", b.GetId(), b.GetLabel())
	r.baths[b.GetId()] = b.GetId()
	return r.bath(ctx, row, given(b), b.GetDeleteTime())
}

// bath takes one bath in, or adds to it what is lacking.
func (r *restoring) bath(ctx context.Context, row *Row, want *labv1.Bath, deleted *timestamppb.Timestamp) error {
	r.mix(row, want)
	want.Sharing = r.sharing(want.GetSharing())
	if !r.o.KeepSharing {
		want.OpenToMembers = false
	}
	have, err := r.getBath(ctx, want.GetId())
	if err != nil {
		return err
	}
	if have == nil {
		row.worse(Added)
		r.deletedAt(labv1.RecordKind_RECORD_KIND_BATH, want.GetId(), deleted, row)
		if r.o.DryRun {
			return nil
		}
		request := &labv1.CreateBathRequest{Bath: want}
		if request.RequestId, err = r.seal(want.GetId(), request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Baths.CreateBath, request)
		return refused(row, err)
	}
	row.worse(There)
	if have.GetOwner() != r.me {
		row.worse(Differs)
		row.note("it is " + have.GetOwner() + "'s here")
		return nil
	}
	r.deletedAt(labv1.RecordKind_RECORD_KIND_BATH, want.GetId(), deleted, row)
	row.compare(want, have, "additions", "checks", "sharing", "open_to_members")
	request := &labv1.AddToBathRequest{
		BathId:    want.GetId(),
		Additions: lacking(row, "addition", want.GetAdditions(), have.GetAdditions()),
		Checks:    lacking(row, "check", want.GetChecks(), have.GetChecks()),
	}
	if len(request.GetAdditions())+len(request.GetChecks()) == 0 {
		return nil
	}
	row.worse(Completed)
	if r.o.DryRun {
		return nil
	}
	if request.RequestId, err = r.seal(want.GetId(), request); err != nil {
		return err
	}
	_, err = ask(ctx, r.core, r.core.Baths.AddToBath, request)
	return refused(row, err)
}

// mix puts the waters of a bath as they are here. A mix of which one water isn't here is left out whole: without it, the shares of
// the others would say what was not so.
func (r *restoring) mix(row *Row, b *labv1.Bath) {
	for _, part := range b.GetWaterParts() {
		here := r.waters[part.GetWaterSourceId()]
		if here == nil {
			b.WaterParts = nil
			row.note("its water is not stated here: water source " + part.GetWaterSourceId() + " is not here")
			return
		}
		known := part.GetWaterSampleId() == ""
		for _, s := range here.GetSamples() {
			known = known || s.GetId() == part.GetWaterSampleId()
		}
		if !known {
			row.note("the sample of its water is left out: it is not here")
			part.WaterSampleId = ""
		}
		part.WaterSourceId = here.GetId()
	}
}

// bathHere gives the id under which a bath can be named here. A bath of another's that pieces can't be put into here
// comes in as the caller's own; of one that the export couldn't read, it is only known that there was a bath.
func (r *restoring) bathHere(ctx context.Context, id string) (string, error) {
	if here := r.baths[id]; here != "" {
		return here, nil
	}
	have, err := r.getBath(ctx, id)
	if err != nil {
		return "", err
	}
	if have != nil && have.GetDeleteTime() == nil && (have.GetOwner() == r.me || have.GetOpenToMembers()) {
		r.baths[id] = id
		return id, nil
	}
	here, err := r.ofOthers(id)
	if err != nil {
		return "", err
	}
	want, whose := &labv1.Bath{Label: "bath " + notReadableWas, ContentsNotStated: true}, "not readable in the export; what was in it is not stated"
	if at, ok := r.foreign[id]; ok {
		was := &labv1.Bath{}
		if err := recordAt(r.in, bathsFile, at, was); err != nil {
			return "", err
		}
		want, whose = given(was), "it was "+was.GetOwner()+"'s"
		want.Label = clipped(want.GetLabel(), " ("+was.GetOwner()+"'s)", maxBathLabel)
	}
	want.Id = here
	r.baths[id] = here
	row := r.report.row("bath", here, want.GetLabel())
	row.note(whose)
	return here, r.bath(ctx, row, want, nil)
}
