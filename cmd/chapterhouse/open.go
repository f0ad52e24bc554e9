package main

import (
	"context"
	"strings"
	"time"

	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/folder"

	"go.uber.org/zap"
)

// openStore opens the store that the settings name, and returns what closes it.
func openStore(_ context.Context, set settings) (store.Store, func(), error) {
	switch {
	case set.Store == "":
		return nil, nil, badSetting("store is not set: name a folder, or s3://bucket/prefix with the s3 settings")
	case strings.HasPrefix(set.Store, "s3://"):
		return nil, nil, badSetting("store is %s: S3 is not in this build", set.Store)
	case strings.Contains(set.Store, "://"):
		return nil, nil, badSetting("store is %s: name a folder, or s3://bucket/prefix", set.Store)
	}
	s, err := folder.Open(set.Store)
	if err != nil {
		return nil, nil, err
	}
	return s, func() { _ = s.Close() }, nil
}

// brokerUse is what a process wants of the broker.
type brokerUse struct {
	leaseOnly bool          // make no stream and no consumer
	wait      time.Duration // for the broker to answer; 0: as long as it takes
	lost      func(error)   // the broker can't be had again, or refuses us
	log       *zap.Logger
}

// openBroker connects to the broker that the settings name.
func openBroker(ctx context.Context, set settings, use brokerUse) (*jetstream.Queue, error) {
	if set.Broker.URL == "" {
		return nil, badSetting("broker.url is not set: name the broker's servers, as nats://host:4222")
	}
	nc, err := jetstream.Dial(set.Broker.URL, set.Name, use.lost)
	if err != nil {
		return nil, err
	}
	if use.wait > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, use.wait)
		defer stop()
	}
	waiting := make(chan struct{})
	defer close(waiting)
	go func() {
		for {
			select {
			case <-waiting:
				return
			case <-time.After(askEvery):
				use.log.Warn("no broker answers yet", zap.String("url", set.Broker.URL), zap.Error(nc.LastError()))
			}
		}
	}()
	q, err := jetstream.Connect(ctx, nc, jetstream.Options{
		AckWait: set.lease(), Slots: set.Night.Slots, Replicas: set.Broker.Replicas, LeaseOnly: use.leaseOnly,
	})
	if err != nil {
		nc.Close()
		return nil, err
	}
	return q, nil
}

// askEvery is the time between two words on a broker that does not answer.
const askEvery = 10 * time.Second
