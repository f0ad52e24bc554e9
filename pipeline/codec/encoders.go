package codec

// WAVEncoder is our WAV writer's revision, as FLACEncoder is the FLAC writer's.
const WAVEncoder = "wav 1"
