package main

import (
	"context"
	"errors"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/store"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"
	"go.uber.org/zap"
)

// service is what the parts of a night that run for good have in common.
type service struct {
	settings
	store   store.Store
	rings   *jetstream.Queue
	engine  pipeline.Engine
	log     *zap.Logger
	metrics *prometheus.Registry
	end     context.CancelCauseFunc // ends it, with a reason
}

// serve opens what a service needs and does its work until it is told to stop,
// which is a good end, or its reason to run is gone, which is an error.
func serve(c *cobra.Command, leaseOnly bool, work func(context.Context, service) error) error {
	ctx, end := context.WithCancelCause(c.Context())
	defer end(nil)
	err := serveUntil(ctx, c, leaseOnly, end, work)
	if ctx.Err() != nil && (err == nil || errors.Is(err, context.Canceled)) {
		err = context.Cause(ctx)
	}
	if c.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return nil // told to stop
	}
	return err
}

func serveUntil(ctx context.Context, c *cobra.Command, leaseOnly bool, end context.CancelCauseFunc, work func(context.Context, service) error) error {
	set, err := loadSettings(0)
	if err != nil {
		return err
	}
	if set.Log == "" {
		set.Log = "info"
	}
	s := service{settings: set, engine: engineHere(), log: set.logger(c.ErrOrStderr()).With(zap.String("name", set.Name)), end: end}
	var closeStore func()
	if s.store, closeStore, err = openStore(ctx, set); err != nil {
		return err
	}
	defer closeStore()
	if s.rings, err = openBroker(ctx, set, brokerUse{leaseOnly: leaseOnly, lost: end, log: s.log}); err != nil {
		return err
	}
	defer s.rings.Close()
	s.metrics = newMetrics(s.rings.Connected)
	if set.Metrics != "" {
		stop, err := serveMetrics(set.Metrics, s.metrics, s.log, end)
		if err != nil {
			return err
		}
		defer stop()
	}
	return work(ctx, s)
}
