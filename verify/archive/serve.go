package archive

import (
	"context"
	"encoding/json"
	"errors"
	"io"
)

// Serve is a worker process: it reads jobs as JSON lines and answers each with an
// Outcome as one JSON line, in order. It returns when jobs ends. Should jobs end
// while one is being done the caller is gone: that job is given up.
func Serve(ctx context.Context, open Opener, jobs io.Reader, outcomes io.Writer) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	queue := make(chan Job)
	go func() {
		dec := json.NewDecoder(jobs)
		for {
			var j Job
			if err := dec.Decode(&j); err != nil {
				cancel(err)
				return
			}
			queue <- j
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
