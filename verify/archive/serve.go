package archive

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"time"
)

// orphan is how long a worker whose caller is gone may take to end.
const orphan = time.Second

// Serve is a worker process: it reads jobs as JSON lines and answers each with an
// Outcome as one JSON line, in order. It returns when jobs ends. Should jobs end
// while one is being done the caller is gone: that job is given up, and a worker that
// does not come back from it ends.
func Serve(ctx context.Context, open Opener, jobs io.Reader, outcomes io.Writer) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	queue, over := make(chan Job), make(chan struct{})
	defer close(over)
	go func() {
		dec := json.NewDecoder(jobs)
		for {
			var j Job
			if err := dec.Decode(&j); err != nil {
				cancel(err)
				select {
				case <-over:
				case <-time.After(orphan):
					os.Exit(1)
				}
				return
			}
			select {
			case queue <- j:
			case <-ctx.Done():
				return
			}
		}
	}()
	c, enc := NewChecker(open), json.NewEncoder(outcomes)
	for {
		select {
		case <-ctx.Done():
			if err := context.Cause(ctx); !errors.Is(err, io.EOF) {
				return err
			}
			return nil
		case j := <-queue:
			if err := enc.Encode(c.Do(ctx, j)); err != nil {
				return err
			}
		}
	}
}
