/* Reads raw samples (float64, little endian, interleaved) and prints what
 * libebur128 reads of them: integrated loudness in LUFS, loudness range in LU,
 * true peak in dBTP, and the processor time it took in seconds, reading not
 * counted. Its range looks at the file once a second; --tenths has ten meters
 * that start 0.1 s after one another, and prints their common range only.
 *
 *	gcc -O2 -o ebur128 ebur128.c -lebur128 -lm
 *	ebur128 RATE CHANNELS FILE [--tenths]
 */
#include <ebur128.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static double seconds(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return t.tv_sec + 1e-9 * t.tv_nsec;
}

static int fail(const char *what)
{
	fprintf(stderr, "ebur128: %s\n", what);
	return 1;
}

enum { TENTHS = 10 };

static int tenths(FILE *f, unsigned rate, unsigned channels)
{
	ebur128_state *s[TENTHS];
	size_t chunk = (size_t)rate * 10, n, skip;
	double *x = malloc(chunk * channels * sizeof *x), range;
	for (int k = 0; k < TENTHS; k++)
		if (!x || !(s[k] = ebur128_init(channels, rate, EBUR128_MODE_LRA)))
			return fail("no memory, or a rate or a number of channels that it does not know");
	for (int first = 1; (n = fread(x, channels * sizeof *x, chunk, f)) > 0; first = 0)
		for (int k = 0; k < TENTHS; k++) {
			skip = first ? (size_t)k * rate / TENTHS : 0;
			if (skip < n && ebur128_add_frames_double(s[k], x + skip * channels, n - skip))
				return fail("the samples can't be added");
		}
	if (ferror(f))
		return fail("the file can't be read");
	if (ebur128_loudness_range_multiple(s, TENTHS, &range))
		return fail("nothing was measured");
	printf("%.6f\n", range);
	return 0;
}

int main(int argc, char **argv)
{
	if (argc != 4 && !(argc == 5 && !strcmp(argv[4], "--tenths")))
		return fail("usage: ebur128 RATE CHANNELS FILE [--tenths]");
	unsigned rate = atoi(argv[1]), channels = atoi(argv[2]);
	FILE *f = fopen(argv[3], "rb");
	if (!f)
		return fail("the file can't be opened");
	if (argc == 5)
		return tenths(f, rate, channels);
	ebur128_state *s = ebur128_init(channels, rate, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
	size_t chunk = (size_t)rate * 10, n;
	double *x = malloc(chunk * channels * sizeof *x);
	if (!s || !x)
		return fail("no memory, or a rate or a number of channels that it does not know");

	double took = 0, from;
	while ((n = fread(x, channels * sizeof *x, chunk, f)) > 0) {
		from = seconds();
		if (ebur128_add_frames_double(s, x, n) != EBUR128_SUCCESS)
			return fail("the samples can't be added");
		took += seconds() - from;
	}
	if (ferror(f))
		return fail("the file can't be read");
	double loudness, range, peak, most = 0;
	from = seconds();
	if (ebur128_loudness_global(s, &loudness) || ebur128_loudness_range(s, &range))
		return fail("nothing was measured");
	for (unsigned c = 0; c < channels; c++) {
		if (ebur128_true_peak(s, c, &peak))
			return fail("no peak was measured");
		if (peak > most)
			most = peak;
	}
	took += seconds() - from;
	printf("%.6f %.6f %.6f %.9f\n", loudness, range, 20 * log10(most), took);
	ebur128_destroy(&s);
	free(x);
	fclose(f);
	return 0;
}
