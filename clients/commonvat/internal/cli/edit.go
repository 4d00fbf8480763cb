package cli

import (
	"context"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
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
		show: func(t *labv1.Trial) error { return a.show(t, trialLine(t)) },
		grids: func(v *labv1.GetVersionResponse) []output.Grid {
			if output.Format(a.format) == output.CSV {
				return []output.Grid{pieceGrid("", v.GetTrial().GetPieces())}
			}
			return trialGrids(v.GetTrial(), nil, true)
		},
	}
}

func (a *app) trialEdit() *cobra.Command {
	var title, question string
	var e edit
	c := &cobra.Command{
		Use: "edit ID --title TEXT", Short: "Change what a trial of yours says of itself; what it said stays in its history",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			if err := e.take(c, [][2]string{{"title", "title"}, {"question", "question"}}); err != nil {
				return err
			}
			client, err := a.trials(c.Context())
			if err != nil {
				return err
			}
			return send(c.Context(), a, a.trialKeeper(), args[0], &e, func(requestID, etag string) (*labv1.Trial, error) {
				return call(c.Context(), a, client.UpdateTrial, &labv1.UpdateTrialRequest{RequestId: requestID, Etag: etag, Reason: e.reason,
					Trial: &labv1.Trial{Id: args[0], Title: title, Question: question}, UpdateMask: &e.mask})
			})
		},
	}
	c.Flags().StringVar(&title, "title", "", "the title")
	c.Flags().StringVar(&question, "question", "", "the question; \"\" takes it away")
	e.flags(c, "trial", false)
	return a.writes(c)
}
