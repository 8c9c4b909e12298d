/* random.h - the tool's own random numbers, the same on every machine.
 *
 * Two kinds: a stream (scene layout, poses) and a hash of a counter (noise of a pixel), which needs no order and so
 * gives the same picture from any number of threads. Both are the splitmix64 finaliser: G. L. Steele, D. Lea, C. H.
 * Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014. */
#ifndef TAKE_RANDOM_H
#define TAKE_RANDOM_H

#include <stdint.h>

typedef struct take_random {
    uint64_t state;
} take_random;

static inline uint64_t take_hash(uint64_t x)
{
    x += 0x9e3779b97f4a7c15u;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
    return x ^ (x >> 31);
}

/* An independent stream for each (seed, purpose), so that one more bristle does not move the hot pixels. */
take_random take_random_start(uint64_t seed, const char *purpose);
uint64_t take_random_bits(take_random *random);
double take_random_uniform(take_random *random); /* [0, 1) */
float take_random_between(take_random *random, float low,
                          float high);                 /* one a statement: C fixes no order within one */
int take_random_below(take_random *random, int limit); /* 0..limit-1 */
double take_random_normal(take_random *random);        /* mean 0, standard deviation 1 */

/* Normal deviates by table (inverse distribution function), for noise: about 3.7 standard deviations at most. */
enum { TAKE_NORMAL_BITS = 12 };
void take_normal_table(float table[1 << TAKE_NORMAL_BITS]);

#endif
