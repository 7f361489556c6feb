package main

import (
	"errors"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"penarm/verify"
	"penarm/verify/entries"
)

func newEmptying() *cobra.Command {
	var e verify.Emptying
	var diameter, dish, length, full, bulb, bore, pump float64
	var plant, vat string
	cmd := &cobra.Command{
		Use:   "emptying --diameter MM --full MM --bulb MM (--bore MM | --pump L/MIN) [--plant FILE --vat NAME]",
		Short: "Work out how long a vat takes to empty",
		Long: `Work out how long a vat takes to empty from its full level down to the recorder
bulb, by gravity through a valve or by a pump, and say whether the stopwatch's time
in the plant file can be. Lengths in mm, levels above the outlet.

This is a check of plausibility: the discharge coefficient alone moves the answer by
more than half. The emptying time that counts is the one measured by stopwatch.

Exit status: 0, 2 where the stopwatch's time cannot be, 3 for a plant file that cannot
be read, 64 for wrong use.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (plant == "") != (vat == "") {
				return errors.New("--plant FILE and --vat NAME belong together")
			}
			e.Diameter, e.Dish, e.Length, e.Full, e.Bulb = diameter/1e3, dish/1e3, length/1e3, full/1e3, bulb/1e3
			e.Outlet, e.Pump = math.Pi/4*bore/1e3*bore/1e3, pump/6e4
			t, err := e.Estimate()
			if err != nil {
				return err
			}
			w := cmd.OutOrStdout()
			fmt.Fprintf(w, "from %g mm down to %g mm: %.1f min, between %.1f and %.1f min\n", full, bulb, t.Minutes, t.Fastest, t.Slowest)
			if plant == "" {
				return nil
			}
			p, err := entries.LoadPlant(plant)
			if err != nil {
				return unread(err)
			}
			v := p.Vat(vat)
			switch {
			case v == nil:
				return fmt.Errorf("%s has no vat %q", plant, vat)
			case v.EmptyingMinutes == nil:
				fmt.Fprintf(w, "%s gives no emptying_minutes for %s: measure it by stopwatch\n", plant, vat)
				return nil
			}
			verdict, words := t.Against(*v.EmptyingMinutes)
			fmt.Fprintf(w, "%s: %s\n", vat, words)
			if verdict != verify.Pass {
				return exitStatus{exitUndecided, nil}
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&e.Shape, "shape", "upright", "upright, dished (upright on a half-ellipsoid) or lying")
	f.Float64Var(&diameter, "diameter", 0, "inner diameter of the vat, mm")
	f.Float64Var(&dish, "dish", 0, "depth of a dished bottom, mm")
	f.Float64Var(&length, "length", 0, "length of a lying vat, mm")
	f.Float64Var(&full, "full", 0, "full level above the outlet, mm")
	f.Float64Var(&bulb, "bulb", 0, "recorder bulb above the outlet, mm")
	f.Float64Var(&bore, "bore", 0, "bore of the outlet, mm: emptied by gravity")
	f.Float64Var(&e.Coefficient, "coefficient", 0.6, "discharge coefficient of outlet, valve and pipe: 0.6 a sharp edge, 1 no loss")
	f.Float64Var(&pump, "pump", 0, "rate of the pump, litres a minute: emptied by a pump")
	f.StringVar(&plant, "plant", "", "plant file, to compare its emptying_minutes")
	f.StringVar(&vat, "vat", "", "vat of the plant file")
	return cmd
}
