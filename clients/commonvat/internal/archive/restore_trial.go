package archive

import (
	"context"
	"fmt"
	"slices"
	"strings"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// trialPlan is a trial of the folder on its way.
type trialPlan struct {
	id     string
	at     int64 // where it stands in the file
	row    *Row
	here   bool // it is there, wholly or in part
	made   bool // by this restoring
	failed bool
	pieces []string
}

// piecePlan is a piece of the folder on its way.
type piecePlan struct {
	trial  int
	parent string // "" for a whole piece
	split  bool
	here   bool
}

// trials takes the trials in. A part can only come after the piece that it came from, also across trials; and
// once a piece is split nothing more can be taken from it. So pieces go in rounds, each trial giving what
// can go by then, and everything else of a trial follows when its pieces are there.
func (r *restoring) trials(ctx context.Context) error {
	if err := records(r.in, trialsFile, r.plan); err != nil {
		return err
	}
	for _, p := range r.plans {
		if err := r.look(ctx, p); err != nil {
			return err
		}
	}
	if !r.o.DryRun {
		for going := true; going; {
			going = false
			for i, p := range r.plans {
				went, err := r.round(ctx, i, p)
				if err != nil {
					return err
				}
				going = going || went
			}
		}
	}
	for _, p := range r.plans {
		if err := r.rest(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

// plan notes where a trial stands and how its pieces hang together.
func (r *restoring) plan(t *labv1.Trial, at int64) error {
	if t.GetOwner() != r.from {
		return bad("the trial is %q's, and the export is %q's", t.GetOwner(), r.from)
	}
	p := &trialPlan{id: t.GetId(), at: at, row: r.report.row("trial", t.GetId(), t.GetTitle())}
	for _, piece := range t.GetPieces() {
		if r.pieces[piece.GetId()] != nil {
			return bad("piece %s is there twice", piece.GetId())
		}
		origin := piece.GetOrigin()
		r.pieces[piece.GetId()] = &piecePlan{trial: len(r.plans), parent: origin.GetParentPieceId(), split: origin.GetKind() == labv1.OriginKind_ORIGIN_KIND_SPLIT}
		if origin.GetKind() == labv1.OriginKind_ORIGIN_KIND_TAKEN {
			r.taken[origin.GetParentPieceId()] = append(r.taken[origin.GetParentPieceId()], piece.GetId())
		}
		p.pieces = append(p.pieces, piece.GetId())
	}
	r.plans = append(r.plans, p)
	r.deletedAt(labv1.RecordKind_RECORD_KIND_TRIAL, t.GetId(), t.GetDeleteTime(), p.row)
	return nil
}

func (r *restoring) getTrial(ctx context.Context, id string) (*labv1.Trial, error) {
	have, err := ask(ctx, r.core, r.core.Trials.GetTrial, &labv1.GetTrialRequest{TrialId: id})
	if status.Code(err) == codes.NotFound {
		return nil, nil //nolint:nilnil // it isn't there
	}
	return have, err
}

// look finds what of a trial is there already.
func (r *restoring) look(ctx context.Context, p *trialPlan) error {
	have, err := r.getTrial(ctx, p.id)
	if err != nil || have == nil {
		return err
	}
	p.here = true
	p.row.worse(There)
	if have.GetOwner() != r.me {
		p.failed = true
		p.row.worse(Differs)
		p.row.note("it is " + have.GetOwner() + "'s here")
		return nil
	}
	for _, piece := range have.GetPieces() {
		if plan := r.pieces[piece.GetId()]; plan != nil {
			plan.here = true
		}
	}
	return nil
}

// ready lists the pieces of a trial that can go now.
func (r *restoring) ready(i int, p *trialPlan) map[string]bool {
	ready := map[string]bool{}
	for more := true; more; {
		more = false
		for _, id := range p.pieces {
			piece := r.pieces[id]
			if piece.here || ready[id] {
				continue
			}
			parent := r.pieces[piece.parent]
			goes := parent == nil || parent.here || ready[piece.parent]
			if goes && piece.split {
				for _, sibling := range r.taken[piece.parent] {
					// Pieces taken into a trial that was refused never come, and nothing waits for them.
					other := r.pieces[sibling]
					goes = goes && (other.here || other.trial == i || r.plans[other.trial].failed)
				}
			}
			if goes {
				ready[id], more = true, true
			}
		}
	}
	return ready
}

// round sends the pieces of a trial that can go, with their immersions.
func (r *restoring) round(ctx context.Context, i int, p *trialPlan) (went bool, err error) {
	if p.failed {
		return false, nil
	}
	ready := r.ready(i, p)
	if p.here && len(ready) == 0 {
		return false, nil
	}
	want, err := r.want(ctx, p, nil)
	if err != nil {
		return false, err
	}
	pieces, immersions := pick(want, ready)
	if !p.here {
		first := proto.CloneOf(want.trial)
		first.Pieces, first.Immersions, first.Looks, first.Readings, first.Judgements = pieces, immersions, nil, nil, nil
		request := &labv1.SubmitTrialRequest{Trial: first}
		if request.RequestId, err = r.seal(p.id, request); err != nil {
			return false, err
		}
		_, err = ask(ctx, r.core, r.core.Trials.SubmitTrial, request)
		if err == nil {
			p.here, p.made = true, true
			p.row.worse(Added)
		}
	} else {
		if !p.made {
			p.row.worse(Completed)
		}
		err = r.add(ctx, p, &labv1.AddEntriesRequest{Pieces: pieces, Immersions: immersions})
	}
	if err != nil {
		p.failed = true
		return true, refused(p.row, err)
	}
	for id := range ready {
		r.pieces[id].here = true
	}
	return true, nil
}

func pick(want *wanted, ready map[string]bool) (pieces []*labv1.Piece, immersions []*labv1.Immersion) {
	for _, piece := range want.trial.GetPieces() {
		if ready[piece.GetId()] {
			pieces = append(pieces, piece)
		}
	}
	for _, im := range want.trial.GetImmersions() {
		if ready[im.GetPieceId()] {
			immersions = append(immersions, im)
		}
	}
	return pieces, immersions
}

func (r *restoring) add(ctx context.Context, p *trialPlan, request *labv1.AddEntriesRequest) error {
	request.TrialId = p.id
	var err error
	if request.RequestId, err = r.seal(p.id, request); err != nil {
		return err
	}
	_, err = ask(ctx, r.core, r.core.Trials.AddEntries, request)
	return err
}

const batchBytes = 1 << 20 // the core takes 8 MiB at once

// batches cuts entries where a request would grow too large.
func batches[M proto.Message](list []M) [][]M {
	var all [][]M
	size := batchBytes
	for _, m := range list {
		n := proto.Size(m)
		if size+n > batchBytes {
			all = append(all, nil)
			size = 0
		}
		all[len(all)-1] = append(all[len(all)-1], m)
		size += n
	}
	return all
}

// rest adds what of a trial isn't there yet once its pieces are, and holds what is there against the folder.
func (r *restoring) rest(ctx context.Context, p *trialPlan) error {
	if p.failed {
		return nil
	}
	if !p.here { // in a dry run
		p.row.worse(Added)
		want, err := r.want(ctx, p, nil)
		if err == nil {
			p.row.Notes = append(p.row.Notes, want.notes...)
		}
		return err
	}
	have, err := r.getTrial(ctx, p.id)
	if err != nil {
		return err
	}
	if have == nil {
		p.row.worse(Refused)
		p.row.note("it went away meanwhile")
		return nil
	}
	want, err := r.want(ctx, p, have)
	if err != nil {
		return err
	}
	t := want.trial
	if p.made {
		p.row.Notes = append(p.row.Notes, want.notes...)
	}
	for _, piece := range t.GetPieces() {
		if plan := r.pieces[piece.GetId()]; !plan.here && !r.o.DryRun {
			p.row.worse(Refused)
			p.row.note(fmt.Sprintf("piece %s stands on piece %s, which was not taken", piece.GetId(), plan.parent))
		}
	}
	p.row.compare(t, have, "sharing", "sessions", "pieces", "immersions", "looks", "readings", "judgements")
	requests, err := r.requests(p, want, have)
	if err != nil {
		return err
	}
	for _, request := range requests {
		if !p.made {
			p.row.worse(Completed)
		}
		if r.o.DryRun {
			continue
		}
		if err := r.add(ctx, p, request); err != nil {
			p.failed = true
			return refused(p.row, err)
		}
	}
	if !p.made {
		return nil
	}
	r.newCodes(p, want, have)
	return r.post(ctx, p, want)
}

// requests are the additions that make of what is there what is wanted.
func (r *restoring) requests(p *trialPlan, want *wanted, have *labv1.Trial) ([]*labv1.AddEntriesRequest, error) {
	t := want.trial
	var all []*labv1.AddEntriesRequest
	if add := lacking(p.row, "session", t.GetSessions(), have.GetSessions()); len(add) > 0 {
		all = append(all, &labv1.AddEntriesRequest{Sessions: add})
	}
	before := make([]*labv1.Piece, 0, len(have.GetPieces()))
	corrected := map[string][]*labv1.PieceCorrection{}
	there := map[string]bool{}
	for _, piece := range have.GetPieces() {
		before = append(before, original(piece))
		for _, c := range piece.GetCorrections() {
			c.PieceId = piece.GetId() // a kept correction stands with its piece
		}
		corrected[piece.GetId()] = piece.GetCorrections()
		there[piece.GetId()] = true
	}
	if add := lacking(p.row, "piece", t.GetPieces(), before); len(add) > 0 && r.o.DryRun {
		p.row.worse(Completed) // the rounds, which would have added them, are only for real
	}
	var immersions []*labv1.Immersion
	for _, im := range lacking(p.row, "immersion", t.GetImmersions(), have.GetImmersions()) {
		if there[im.GetPieceId()] {
			immersions = append(immersions, im)
		}
	}
	if len(immersions) > 0 {
		all = append(all, &labv1.AddEntriesRequest{Immersions: immersions})
	}
	var corrections []*labv1.PieceCorrection
	for _, piece := range t.GetPieces() {
		if !there[piece.GetId()] {
			continue
		}
		add, same := following(want.corrections[piece.GetId()], corrected[piece.GetId()])
		if !same {
			p.row.worse(Differs)
			p.row.note("piece " + piece.GetId() + " was corrected otherwise here")
		}
		corrections = append(corrections, add...)
	}
	if len(corrections) > 0 {
		all = append(all, &labv1.AddEntriesRequest{PieceCorrections: corrections})
	}
	for _, batch := range batches(keep(there, lacking(p.row, "look", t.GetLooks(), have.GetLooks()))) {
		all = append(all, &labv1.AddEntriesRequest{Looks: batch})
	}
	for _, batch := range batches(keep(there, lacking(p.row, "reading", t.GetReadings(), have.GetReadings()))) {
		all = append(all, &labv1.AddEntriesRequest{Readings: batch})
	}
	judgements := slices.DeleteFunc(lacking(p.row, "judgement", t.GetJudgements(), have.GetJudgements()), func(j *labv1.Judgement) bool {
		return !there[j.GetFirstPieceId()] || !there[j.GetSecondPieceId()]
	})
	for _, batch := range batches(judgements) {
		all = append(all, &labv1.AddEntriesRequest{Judgements: batch})
	}
	return all, nil
}

// keep leaves out entries of pieces that aren't there.
func keep[E interface{ GetPieceId() string }](there map[string]bool, list []E) []E {
	var kept []E
	for _, e := range list {
		if e.GetPieceId() == "" || there[e.GetPieceId()] {
			kept = append(kept, e)
		}
	}
	return kept
}

// following gives the corrections that come after those that are there already; same is false when these are others.
func following(want, have []*labv1.PieceCorrection) (add []*labv1.PieceCorrection, same bool) {
	for i := range min(len(want), len(have)) {
		if !proto.Equal(given(want[i]), given(have[i])) {
			return nil, false
		}
	}
	if len(have) >= len(want) {
		return nil, true
	}
	for _, c := range want[len(have):] {
		add = append(add, given(c))
	}
	return add, true
}

const maxCodes = 40

// newCodes tells which short codes the pieces have here: those on the labels are the old ones.
func (r *restoring) newCodes(p *trialPlan, want *wanted, have *labv1.Trial) {
	var pairs []string
	for _, piece := range have.GetPieces() {
		if was := want.codes[piece.GetId()]; was != "" && was != piece.GetCode() {
			pairs = append(pairs, was+" is now "+piece.GetCode())
		}
	}
	if n := len(pairs); n > 0 {
		text := strings.Join(pairs[:min(n, maxCodes)], ", ")
		if n > maxCodes {
			text += fmt.Sprintf(", and %d more", n-maxCodes)
		}
		p.row.note("short codes of pieces: " + text)
	}
}

// post hands pieces to those who held them, when sharing is kept and they are members here; else they stay with the caller.
func (r *restoring) post(ctx context.Context, p *trialPlan, want *wanted) error {
	for _, piece := range want.held {
		holder := piece.GetHolder()
		switch {
		case !r.o.KeepSharing, !r.members[holder], holder == r.me, piece.GetEnded(), !r.pieces[piece.GetId()].here:
			if holder != r.me {
				p.row.note(fmt.Sprintf("piece %s was held by %s; it is with you here", piece.GetCode(), holder))
			}
			continue
		}
		request := &labv1.PostPieceRequest{PieceId: piece.GetId(), ToMember: holder}
		var err error
		if request.RequestId, err = r.seal(p.id, request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Trials.PostPiece, request)
		if err := refused(p.row, err); err != nil {
			return err
		}
	}
	return nil
}
