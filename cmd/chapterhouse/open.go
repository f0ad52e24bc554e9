package main

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"time"

	"chapterhouse/pipeline"
	"chapterhouse/pipeline/house"
	"chapterhouse/pipeline/queue/jetstream"
	"chapterhouse/pipeline/store"
	"chapterhouse/pipeline/store/folder"
	"chapterhouse/pipeline/store/s3"

	"go.uber.org/zap"
)

// openStore opens the store that the settings name, and returns what closes it.
func openStore(ctx context.Context, set settings) (store.Store, func(), error) {
	if set.Store == "" {
		return nil, nil, badSetting("store is not set: name a folder, or s3://bucket/prefix with the s3 settings, in the file of CHAPTERHOUSE_SETTINGS or as CHAPTERHOUSE_STORE")
	}
	if place, ok := strings.CutPrefix(set.Store, "s3://"); ok {
		bucket, prefix, _ := strings.Cut(place, "/")
		if bucket == "" {
			return nil, nil, badSetting("store is %s: name the bucket, as s3://bucket/prefix", set.Store)
		}
		s, err := s3.Open(ctx, s3.Options{
			Endpoint: set.S3.Endpoint, Region: set.S3.Region, Bucket: bucket, Prefix: prefix,
			AccessKey: set.S3.AccessKey, SecretKey: string(set.S3.SecretKey), CAFile: set.S3.CAFile,
		})
		if err != nil {
			return nil, nil, err
		}
		return s, func() { _ = s.Close() }, nil
	}
	if strings.Contains(set.Store, "://") {
		return nil, nil, badSetting("store is %s: name a folder, or s3://bucket/prefix", set.Store)
	}
	s, err := folder.Open(set.Store)
	if err != nil {
		return nil, nil, err
	}
	return s, func() { _ = s.Close() }, nil
}

// openedStore is the store of a call, and the settings that led there.
type openedStore struct {
	settings
	store store.Store
	close func()
}

const storeFlag = "folder, or s3://bucket/prefix (default: the store setting, else HOUSE/.chapterhouse)"

// storeFor opens the store of a call: the one it names, the setting's, or the
// one that lies in the house; root is "" where there is no house. A folder that
// is not there is a new store for who writes, and a wrong name for who reads.
func storeFor(ctx context.Context, named, root string, reads bool) (openedStore, error) {
	set, err := loadSettings(0)
	if err != nil {
		return openedStore{}, err
	}
	switch {
	case named != "":
		set.Store = named
	case set.Store == "" && root != "":
		set.Store = filepath.Join(root, ".chapterhouse")
	}
	if reads && set.Store != "" && !strings.Contains(set.Store, "://") {
		if err := isFolder(set.Store, "name the store with --store"); err != nil {
			return openedStore{}, err
		}
	}
	s, done, err := openStore(ctx, set)
	return openedStore{set, s, done}, err
}

// storeHere opens, to read, the store of a call that is about no folder.
func storeHere(ctx context.Context, named string) (openedStore, error) {
	root, _ := house.Find(".")
	return storeFor(ctx, named, root, true)
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
	secure, err := jetstream.Secure(jetstream.SecureOptions{
		User: set.Broker.User, Password: string(set.Broker.Password), CredsFile: set.Broker.CredsFile,
		CAFile: set.Broker.CAFile, CertFile: set.Broker.CertFile, KeyFile: set.Broker.KeyFile,
	})
	if err != nil {
		return nil, err
	}
	nc, err := jetstream.Dial(set.Broker.URL, set.Name, use.lost, secure...)
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

// beAlone makes sure that a coordinator may work on the store: at once where
// any number may, else when no other one does. free gives the place up.
func beAlone(ctx context.Context, s service) (free func(), err error) {
	remote, ok := s.store.(*s3.Store)
	if !ok {
		return func() {}, nil
	}
	if err := remote.Probe(ctx); err == nil {
		return func() {}, nil
	} else if !errors.Is(err, s3.ErrUnsafe) {
		return nil, err
	} else {
		s.log.Warn("one coordinator only", zap.Error(err))
	}
	lost, free, err := s.rings.Alone(ctx, "coordinator")
	if err != nil {
		return nil, err
	}
	go func() {
		select {
		case <-lost:
			s.end(pipeline.Errorf(pipeline.Infra, "", "the broker no longer keeps this coordinator's place, and another may have it: start this one again"))
		case <-ctx.Done():
		}
	}()
	return free, nil
}
