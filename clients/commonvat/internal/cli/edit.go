package cli

import (
	"context"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
)

func (a *app) trialKeeper() keeper[*labv1.Trial] {
	return keeper[*labv1.Trial]{
		noun: "trial", kind: labv1.RecordKind_RECORD_KIND_TRIAL,
		get: func(ctx context.Context, id string) (*labv1.Trial, error) {
			client, err := a.trials(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.GetTrial, &labv1.GetTrialRequest{TrialId: id})
		},
		remove: func(ctx context.Context, requestID, id, etag, reason string) (*labv1.Trial, error) {
			client, err := a.trials(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.DeleteTrial, &labv1.DeleteTrialRequest{RequestId: requestID, TrialId: id, Etag: etag, Reason: reason})
		},
		restore: func(ctx context.Context, requestID, id, etag string) (*labv1.Trial, error) {
			client, err := a.trials(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.UndeleteTrial, &labv1.UndeleteTrialRequest{RequestId: requestID, TrialId: id, Etag: etag})
		},
		show: func(_ context.Context, t *labv1.Trial) error { return a.show(t, trialLine(t)) },
		grids: func(_ context.Context, v *labv1.GetVersionResponse) []output.Grid {
			if output.Format(a.format) == output.CSV {
				return []output.Grid{pieceGrid("", v.GetTrial().GetPieces())}
			}
			return trialGrids(v.GetTrial(), nil, true)
		},
	}
}

func (a *app) trialEdit() *cobra.Command {
	var title, question string
	var s sessionEdit
	var e edit
	c := &cobra.Command{
		Use: "edit ID --title TEXT", Short: "Change what a trial of yours says of itself; what it said stays in its history",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			if err := s.check(c); err != nil {
				return err
			}
			if err := e.take(c, [][2]string{{"title", "title"}, {"question", "question"}, {"session", "sessions"}}); err != nil {
				return err
			}
			client, err := a.trials(c.Context())
			if err != nil {
				return err
			}
			changed := &labv1.Trial{Id: args[0], Title: title, Question: question}
			if s.id != "" { // the interface takes all sessions of a trial, or none
				now, err := a.trialKeeper().get(c.Context(), args[0])
				if err != nil {
					return err
				}
				if changed.Sessions, err = s.apply(c, now.GetSessions()); err != nil {
					return err
				}
				if e.given == "" {
					e.given = now.GetEtag()
				}
			}
			return send(c.Context(), a, a.trialKeeper(), args[0], &e, func(requestID, etag string) (*labv1.Trial, error) {
				return call(c.Context(), a, client.UpdateTrial, &labv1.UpdateTrialRequest{RequestId: requestID, Etag: etag, Reason: e.reason,
					Trial: changed, UpdateMask: &e.mask})
			})
		},
	}
	c.Flags().StringVar(&title, "title", "", "the title")
	c.Flags().StringVar(&question, "question", "", "the question; \"\" takes it away")
	s.flags(c)
	e.flags(c, "trial", false)
	return a.writes(c)
}

// sessionEdit is what may be changed of one session.
type sessionEdit struct {
	id, begun, note string
	when            *typesv1.ClaimedTime
}

func (s *sessionEdit) flags(c *cobra.Command) {
	c.Flags().StringVar(&s.id, "session", "", "id of the session that --begun and --note are of (see: commonvat trial show)")
	c.Flags().StringVar(&s.begun, "begun", "", "when the session was begun, for example 2026-05-02; \"\" takes it away")
	c.Flags().StringVar(&s.note, "note", "", "the session's note; \"\" takes it away")
}

func (s *sessionEdit) check(c *cobra.Command) (err error) {
	told := c.Flags().Changed("begun") || c.Flags().Changed("note")
	if told != (s.id != "") {
		return usage("--session belongs together with --begun, --note or both")
	}
	s.when, err = flagTime("--begun", s.begun)
	return err
}

// apply gives the sessions with the one changed.
func (s *sessionEdit) apply(c *cobra.Command, sessions []*labv1.Session) ([]*labv1.Session, error) {
	for _, session := range sessions {
		if session.GetId() != s.id {
			continue
		}
		if c.Flags().Changed("begun") {
			session.Begun = s.when
		}
		if c.Flags().Changed("note") {
			session.Note = s.note
		}
		return sessions, nil
	}
	return nil, usage("--session: the trial has no session %q (see: commonvat trial show)", s.id)
}
