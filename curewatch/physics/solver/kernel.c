/* The integration of integrator.py for films whose recipe holds two volatiles, LANES of them abreast.
 *
 * The plain statement is the Python beside it: film.py (equations), evaporation.py, supports.py, kinetics.py (right-hand
 * side and Jacobian), rosenbrock.py (the step), monitor.py (milestones, samples), state.py (kept states). Names are
 * theirs; what they argue is not argued again. tests/core/test_kernel.py holds the two together.
 *
 * A lane is a film on its own clock with its own step; when it is finished the next film takes its lane, so nobody waits
 * for a straggler. No lane reads another: a film's result does not depend on its company. Loops over lanes have no
 * branches and become vector instructions; what happens seldom is done lane by lane. Everything is in double precision.
 * No Python in here, no allocation beyond one workspace, no globals that change: any number of threads may run it, on one
 * job too, of which each takes the next film when a lane of its own is free.
 */
#if defined(__linux__)
#define _GNU_SOURCE
#include <sched.h>
#elif defined(__unix__) || defined(__APPLE__)
#include <unistd.h>
#endif
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if defined(__GNUC__) && !defined(__clang__) && defined(__x86_64__) && defined(__linux__) && !defined(PLAIN)
#define BY_MACHINE __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define BY_MACHINE
#endif
#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline))
#else
#define INLINE static inline
#endif
#ifdef _WIN32
#define PUBLIC __declspec(dllexport)
#else
#define PUBLIC
#endif

enum { LANES = 8, CONDITIONS = 6, MILESTONES = 4, SAMPLED = 5, MOST_CELLS = 256 };
#define EACH for (int l = 0; l < LANES; l++)
typedef double Row[LANES]; /* one number a lane */

/* Physical constants come with the job, from the Python modules that own and explain them. */
typedef struct {
    double gamma, rtol, atol, step_min, step_max, reach, surface_reach, at_corner;
    double safety, shrink_most, shrink_least, shrink_again, grow_most;
    double r_gas, t_triple, rho_water, rho_glycol, rho_dry, limit_dry, fused, fuse_ea, t_d, ea, eg;
    double chi_water, chi_glycol, moles_water, moles_glycol, no_moles, corner;
    double open_w, open_g, open_width, glycol_out;
    double km_ref, km_exp, heat_ref, heat_exp, radiated, mw_over_r, plate_most, speed_floor, close, stride;
    double full, sink_reach, mw_over_r_rho, attempts, progress, progress_s, hold_s[MILESTONES];
} Constants;

typedef struct {
    int64_t films, cells, times, turns;
    int64_t steady, stop_when_ready, keeps, needs[MILESTONES]; /* needs: the conditions of each milestone as bits */
    const Constants *is;
    /* films */
    const double *solids_m, *side, *air_speed, *h_back, *d0, *g0, *limit_surface, *limit_bottom, *mfft, *packing;
    const double *fuse_s, *fusing, *air_temp_off, *air_rh_off, *sink_m, *sink_rate, *back_loss;
    const double *speed_change_s, *changed_speed; /* (turns, films) */
    const double *share, *top_tenth, *low_tenth;  /* (cells) */
    /* air: rooms end to end */
    const double *time, *temp, *rh, *temp_area, *rh_area, *travel, *first, *length;
    const int64_t *begin, *last, *room;
    double span;
    const double *until;
    /* states, overwritten: (…, films) */
    double *t, *u, *age, *lost, *soaked, *step, *t_film, *since, *reached, *before, *stride;
    uint8_t *failed;
    /* samples (SAMPLED, times, films) */
    const double *sample_at;
    int64_t *next_sample;
    double *samples;
    /* states that are kept on the way */
    const double *keep_at;
    double *k_t, *k_u, *k_age, *k_lost, *k_soaked, *k_step, *k_t_film, *k_since, *k_reached, *k_before, *k_stride;
    uint8_t *k_failed, *passed;
    const int64_t *order;
    int64_t to, waiting; /* the films: order[0] to order[to - 1]; order[waiting] is the next to be taken */
} Job;

typedef struct {
    /* per cell */
    Row u[2][MOST_CELLS], p[MOST_CELLS], polymer[2][MOST_CELLS], paths[MOST_CELLS], free[MOST_CELLS];
    Row d[2][MOST_CELLS], resist[2][MOST_CELLS], a[2][MOST_CELLS], mean[2][MOST_CELLS], gap[2][MOST_CELLS];
    Row change[2][MOST_CELLS], pivot[2][MOST_CELLS], lower[2][MOST_CELLS], upper[2][MOST_CELLS];
    Row k1[2][MOST_CELLS], k2[2][MOST_CELLS], between[2][MOST_CELLS];
    Row cross[2], uncross;
    double weight[MOST_CELLS];
    /* the right-hand side's results */
    Row loss[2], slope[2][2], found_t, rate, k_m, out[2], out_slope[2], taken;
    /* parameters */
    Row solids, side, h_back, mass, heat, ln_d0, ln_g0, limit_surface, limit_bottom, mfft, packing, fuse_s, fusing;
    Row t_off, rh_off, sink_rate, per_capacity, back;
    /* state */
    Row t, age, lost[2], soaked, step, t_film, failed, since[CONDITIONS], reached[MILESTONES];
    Row margin[CONDITIONS], earlier[CONDITIONS], width, chill, gates[2], until, attempts, landmark, keep_at, guess;
    /* air */
    Row t_air, rh, p_air, mean_t, mean_rh, end_t, end_rh, speed_change;
    Row tau, began, scalars[SAMPLED];
    int64_t film[LANES], room[LANES], cursor[LANES], next_sample[LANES];
    int finished[LANES], idle[LANES], fresh[LANES];
    int drains;
    int64_t stuck; /* the first film that made no progress, or -1 */
} Work;

/* The next film of the job, or -1. */
static int64_t take(Job *job) {
#if defined(__GNUC__)
    int64_t at = __atomic_fetch_add(&job->waiting, 1, __ATOMIC_RELAXED);
#else
    int64_t at = job->waiting++;
#endif
    return at < job->to ? job->order[at] : -1;
}

INLINE double least(double a, double b) { return a < b ? a : b; }
INLINE double most(double a, double b) { return a > b ? a : b; }
INLINE double single(double x) { return (double)(float)x; }

/* e^x within 3e-13, for loops over lanes: 2^k times a polynomial in what is left, |r| <= ln 2 / 2. */
INLINE double fast_exp(double x) {
    const double magic = 6755399441055744.0; /* 1.5 * 2^52: its sum's lowest bits are the rounded number */
    x = most(least(x, 700.0), -700.0);
    double shifted = x * 1.4426950408889634 + magic, k = shifted - magic;
    double r = x - k * 6.93147180369123816490e-01 - k * 1.90821492927058770002e-10;
    double y = 1.0 / 3628800;
    y = y * r + 1.0 / 362880, y = y * r + 1.0 / 40320, y = y * r + 1.0 / 5040, y = y * r + 1.0 / 720;
    y = y * r + 1.0 / 120, y = y * r + 1.0 / 24, y = y * r + 1.0 / 6, y = y * r + 0.5, y = y * r + 1.0, y = y * r + 1.0;
    uint64_t bits;
    memcpy(&bits, &shifted, 8);
    bits = (bits << 52) + 0x3ff0000000000000u;
    double scale;
    memcpy(&scale, &bits, 8);
    return y * scale;
}

/* ln(t / 293.15) within 1e-11 for 173 to 473 K: 2 artanh z, z = (t - 293.15)/(t + 293.15). */
INLINE double ln_over_293(double t) {
    double z = (t - 293.15) / (t + 293.15), s = z * z, y = 1.0 / 15;
    y = y * s + 1.0 / 13, y = y * s + 1.0 / 11, y = y * s + 1.0 / 9, y = y * s + 1.0 / 7;
    y = y * s + 1.0 / 5, y = y * s + 1.0 / 3;
    return 2 * z * (1 + s * y);
}

/* air.saturation: [Pa] and d ln/dT [1/K]. */
INLINE void over_water(double t, double *pressure, double *slope) {
    double ln = 1.3914993 + t * (-4.8640239e-2 + t * (4.1764768e-5 - 1.4452093e-8 * t));
    ln += -5.8002206e3 / t + 6.5459673 * (5.680684312021869 + ln_over_293(t));
    *pressure = fast_exp(ln);
    *slope = (5.8002206e3 / t + 6.5459673) / t - 4.8640239e-2 + t * (8.3529536e-5 - 4.3355358e-8 * t);
}

static void over_ice(double t, double *pressure, double *slope) {
    double poly = 6.3925247 + t * (-9.677843e-3 + t * (6.2215701e-7 + t * (2.0747825e-9 - 9.484024e-13 * t)));
    *pressure = exp(poly - 5.6745359e3 / t + 4.1635019 * log(t));
    *slope = (5.6745359e3 / t + 4.1635019) / t - 9.677843e-3 + t * (1.24431402e-6 + t * (6.2243475e-9 - 3.7936096e-12 * t));
}

INLINE void saturation(const Constants *is, const Row t, Row pressure, Row slope) {
    EACH over_water(t[l], &pressure[l], &slope[l]);
    for (int l = 0; l < LANES; l++)
        if (t[l] < is->t_triple) over_ice(t[l], &pressure[l], &slope[l]);
}

/* film.activities of a cell's water and glycol, and their slopes in both. */
INLINE void activities(const Constants *is, const Row w, const Row g, Row a_w, Row a_g, Row slope[2][2]) {
    EACH {
        double p = 1 / (1 + w[l] + g[l]);
        double f0 = w[l] * p, f1 = g[l] * p, r0 = 1 - f0, r1 = 1 - f1;
        double b0 = is->chi_water * r0, b1 = is->chi_glycol * r1;
        double e0 = fast_exp(r0 * (1 + b0)), e1 = fast_exp(r1 * (1 + b1));
        double y0 = f0 * e0, y1 = f1 * e1;
        double s0 = e0 * (1 - f0 * (1 + 2 * b0)) * p, s1 = e1 * (1 - f1 * (1 + 2 * b1)) * p;
        double m0 = w[l] * is->moles_water, m1 = g[l] * is->moles_glycol;
        double per_mole = 1 / most(m0 + m1, is->no_moles), x_g = m1 * per_mole, x_w = 1 - x_g;
        double by_w = x_g * (is->moles_water * per_mole), by_g = x_w * (is->moles_glycol * per_mole);
        double gap = y0 - x_w, root = sqrt(gap * gap + is->corner * is->corner);
        double free = 0.5 + 0.5 * gap / root, bound = 1 - free;
        double w_by_w = s0 * r0, w_by_g = s0 * f0;
        slope[0][0][l] = bound * w_by_w + free * by_w;
        slope[0][1][l] = -bound * w_by_g - free * by_g;
        double cap = bound + free * x_g, opening = x_w * (0.5 * is->corner * is->corner) / (root * root * root);
        double c0 = -free * by_w - opening * (w_by_w - by_w), c1 = free * by_g + opening * (w_by_g - by_g);
        slope[1][0][l] = y1 > cap ? c0 : -s1 * f1;
        slope[1][1][l] = y1 > cap ? c1 : s1 * r1;
        a_w[l] = 0.5 * (y0 + x_w - root);
        a_g[l] = y1 > cap ? cap : y1;
    }
}

/* Plate.balance: the film's temperature by Newton's method; found_t, rate, k_m and dE/da_w. */
INLINE void balance(const Constants *is, Work *k, const Row t_air, const Row p_air, const Row a_w, const Row guess,
                    Row by_a) {
    Row at, open;
    EACH at[l] = guess[l], open[l] = 1;
    for (int round = 0; round < 31; round++) {
        Row p_sat, ln_slope, to;
        saturation(is, at, p_sat, ln_slope);
        EACH {
            double tf = at[l], ta = t_air[l], ln_mean = ln_over_293(0.5 * (ta + tf));
            double k_m = k->mass[l] * fast_exp(is->km_exp * ln_mean);
            double h = k->heat[l] * fast_exp(is->heat_exp * ln_mean) + k->h_back[l];
            double per_t = 1 / tf, by_activity = k_m * p_sat[l] * (per_t * is->mw_over_r), wet = by_activity * a_w[l];
            double rate = wet - k_m * p_air[l] * (is->mw_over_r / ta), by_t = wet * (ln_slope[l] - per_t);
            double latent = 2500.9e3 - 2369.0 * (tf - 273.15), gap = ta - tf;
            double heat_in = h * gap + is->radiated * (ta * ta + tf * tf) * (ta + tf) * gap;
            double stiff = h + 4 * is->radiated * tf * tf * tf + latent * by_t - 2369.0 * rate;
            double step = most(least((heat_in - latent * rate) / stiff, is->stride), -is->stride);
            int on = open[l] != 0;
            to[l] = on ? tf + step : at[l];
            k->rate[l] = on ? rate + by_t * step : k->rate[l];
            by_a[l] = on ? by_activity * (1 - latent * by_t / stiff) : by_a[l];
            k->k_m[l] = on ? k_m : k->k_m[l];
        }
        double any = 0;
        EACH {
            double far = fabs(to[l] - at[l]) > is->close ? open[l] : 0.0;
            at[l] = to[l], open[l] = far;
            any = most(any, far);
        }
        if (any == 0) break;
    }
    EACH k->found_t[l] = at[l];
}

/* Bottom.flows: what leaves below by soaking and through the back, and the slopes. */
INLINE void flows(const Constants *is, Work *k, const Row w, const Row g, const Row t_air, const Row p_air) {
    Row a_w, a_g, slope[2][2], p_sat, ln_slope;
    activities(is, w, g, a_w, a_g, slope);
    saturation(is, k->found_t, p_sat, ln_slope);
    EACH {
        double p = 1 / (1 + w[l] + g[l]), phi = w[l] * p, free = 1 - k->taken[l] * k->per_capacity[l];
        double suction = k->sink_rate[l] * (free > is->full ? free : 0.0);
        double paths = 1 / (1 + fast_exp((p - k->packing[l]) / is->open_width));
        k->out[0][l] = suction * (phi * paths);
        k->out_slope[0][l] = suction * (paths * p * (1 - phi + phi * (1 - paths) * p / is->open_width));
        double by_activity = k->back[l] * p_sat[l] / k->found_t[l];
        k->out[1][l] = by_activity * a_w[l] - k->back[l] * p_air[l] / t_air[l];
        k->out_slope[1][l] = by_activity * slope[0][0][l];
    }
}

/* Kinetics.rates at state u; leaves what bands() needs. */
INLINE void rates(const Job *job, Work *k, Row u[2][MOST_CELLS], const Row t_air, const Row p_air, const Row guess) {
    const Constants *is = job->is;
    int n = (int)job->cells;
    Row a_w, a_g, by_a, per_open, wide_d, wide_g, glycol;
    activities(is, u[0][n - 1], u[1][n - 1], a_w, a_g, k->slope);
    balance(is, k, t_air, p_air, a_w, guess, by_a);
    EACH {
        double tf = k->found_t[l], pressure = 13.0 * fast_exp(-65e3 / is->r_gas * (1 / tf - 1 / 293.15));
        glycol[l] = is->glycol_out * k->k_m[l] * pressure / tf;
        k->loss[0][l] = k->rate[l] / is->rho_water;
        k->loss[1][l] = glycol[l] * a_g[l];
        k->slope[0][0][l] *= by_a[l] / is->rho_water, k->slope[0][1][l] *= by_a[l] / is->rho_water;
        k->slope[1][0][l] *= glycol[l], k->slope[1][1][l] *= glycol[l];
        double inverse = 1 / (is->r_gas * tf);
        wide_d[l] = k->ln_d0[l] - is->ea * inverse, wide_g[l] = k->ln_g0[l] - is->eg * inverse;
        per_open[l] = k->packing[l] / is->open_width;
    }
    double w_per_width = 1 / is->open_width, g_of_w = is->open_g / is->open_w;
    for (int c = 0; c < n; c++) {
        double half = 0.5 * job->share[c];
        EACH {
            double p = 1 / (1 + u[0][c][l] + u[1][c][l]), free = (2.7 * u[0][c][l] - 6.3) * p;
            double x0 = fast_exp(free + wide_d[l]), x1 = fast_exp(wide_g[l] - 14 * p);
            double paths = is->open_w / (1 + fast_exp(p * w_per_width - per_open[l]));
            double d0 = x0 + paths, d1 = x1 + paths * g_of_w, half_p2 = half / (p * p);
            k->p[c][l] = p, k->free[c][l] = free, k->paths[c][l] = paths;
            k->polymer[0][c][l] = x0, k->polymer[1][c][l] = x1;
            k->d[0][c][l] = d0, k->d[1][c][l] = d1;
            k->resist[0][c][l] = half_p2 / d0, k->resist[1][c][l] = half_p2 / d1;
        }
    }
    if (k->drains) flows(is, k, u[0][0], u[1][0], t_air, p_air);
    for (int i = 0; i < 2; i++) {
        for (int c = 0; c < n; c++) {
            double per_share = 1 / job->share[c];
            EACH {
                double in = c ? k->mean[i][c - 1][l] * k->gap[i][c - 1][l] : 0.0, on;
                if (c == n - 1) {
                    on = k->loss[i][l] * k->solids[l];
                } else {
                    double mean = 1 / (k->resist[i][c][l] + k->resist[i][c + 1][l]), gap = u[i][c][l] - u[i][c + 1][l];
                    k->mean[i][c][l] = mean, k->gap[i][c][l] = gap, on = mean * gap;
                }
                if (c == 0 && i == 0 && k->drains) on += (k->out[0][l] + k->out[1][l]) * k->solids[l];
                k->change[i][c][l] = (in - on) * per_share / (k->solids[l] * k->solids[l]);
            }
        }
    }
}

/* Kinetics.bands and rosenbrock.Shifted: (1 - shift J), factored. */
INLINE void factor(const Job *job, Work *k, const Row shift) {
    const Constants *is = job->is;
    int n = (int)job->cells;
    double per_width = 1 / is->open_width, g_of_w = is->open_g / is->open_w;
    for (int c = 0; c < n; c++) EACH {
            double p = k->p[c][l], p2 = p * p, paths = k->paths[c][l];
            double open = (1 - paths / is->open_w) * paths * p2 * per_width;
            double a0 = (2.7 - k->free[c][l]) * p * k->polymer[0][c][l] + open;
            double a1 = 14 * p2 * k->polymer[1][c][l] + open * g_of_w;
            k->a[0][c][l] = (a0 / k->d[0][c][l] - 2 * p) * k->resist[0][c][l];
            k->a[1][c][l] = (a1 / k->d[1][c][l] - 2 * p) * k->resist[1][c][l];
        }
    for (int i = 0; i < 2; i++) {
        Row upper, ratio, below;
        for (int c = 0; c < n; c++) {
            double per_share = 1 / job->share[c], per_above = c < n - 1 ? 1 / job->share[c + 1] : 0.0;
            EACH {
                double scale = -shift[l] / (k->solids[l] * k->solids[l]), diagonal = c ? -upper[l] : 0.0, out = 0, back = 0;
                if (c == n - 1) {
                    diagonal -= k->slope[i][i][l] * k->solids[l];
                } else {
                    double mean = k->mean[i][c][l], bend = k->gap[i][c][l] * mean * mean;
                    out = mean + bend * k->a[i][c][l], back = mean - bend * k->a[i][c + 1][l];
                    diagonal -= out;
                }
                if (c == 0 && i == 0 && k->drains)
                    diagonal -= (k->out_slope[0][l] + k->out_slope[1][l]) * k->solids[l];
                double pivot = 1 + scale * per_share * diagonal;
                if (c) pivot -= ratio[l] * below[l];
                pivot = 1 / pivot;
                double low = scale * per_above * out * pivot, up = scale * per_share * back;
                k->pivot[i][c][l] = pivot, k->lower[i][c][l] = low, k->upper[i][c][l] = up * pivot;
                upper[l] = back, ratio[l] = low, below[l] = up;
            }
        }
    }
    EACH {
        double scale = shift[l] / (k->solids[l] * job->share[n - 1]);
        k->cross[0][l] = k->slope[0][1][l] * scale * k->pivot[0][n - 1][l];
        k->cross[1][l] = k->slope[1][0][l] * scale * k->pivot[1][n - 1][l];
        k->uncross[l] = 1 / (1 - k->cross[0][l] * k->cross[1][l]);
    }
}

INLINE void solve(const Work *k, int n, Row x[2][MOST_CELLS]) {
    for (int i = 0; i < 2; i++) {
        for (int c = 1; c < n; c++) EACH x[i][c][l] -= k->lower[i][c - 1][l] * x[i][c - 1][l];
        for (int c = 0; c < n; c++) EACH x[i][c][l] *= k->pivot[i][c][l];
    }
    EACH {
        double w = x[0][n - 1][l], g = x[1][n - 1][l];
        x[0][n - 1][l] = (w - k->cross[0][l] * g) * k->uncross[l];
        x[1][n - 1][l] = (g - k->cross[1][l] * w) * k->uncross[l];
    }
    for (int i = 0; i < 2; i++)
        for (int c = n - 2; c >= 0; c--) EACH x[i][c][l] -= k->upper[i][c][l] * x[i][c + 1][l];
}

/* --- the room's air: air.py --- */

typedef struct {
    int64_t left;
    double into, share, outside;
} Found;

static Found find(const Job *job, int64_t room, int64_t hint, double time) {
    double base = (double)room * job->span, since = time - job->first[room];
    double local = most(least(since, job->length[room]), 0.0);
    int64_t left = hint, low = job->begin[room], high = job->last[room] - 1;
    if (left < low || left > high || job->time[left] - base > local) left = low;
    for (int64_t stride = 1; left + stride <= high && job->time[left + stride] - base <= local; stride *= 2) left += stride;
    for (int64_t stride = high - left; stride > 0;) { /* bisect what is left of the way */
        int64_t half = stride / 2 + stride % 2;
        if (job->time[left + half] - base <= local) left += half, stride -= half;
        else stride = half - 1;
    }
    double into = local - (job->time[left] - base), width = most(job->time[left + 1] - job->time[left], 1e-9);
    return (Found){left, into, most(least(into / width, 1.0), 0.0), since - local};
}

static double value(const double *of, Found at) { return of[at.left] + at.share * (of[at.left + 1] - of[at.left]); }

static double area(const double *area, const double *of, double here, Found at) {
    return area[at.left] + 0.5 * at.into * (of[at.left] + here) + at.outside * here;
}

static double next_change(const Job *job, int64_t room, Found here, double time) {
    double base = (double)room * job->span, local = most(least(time - job->first[room], job->length[room]), 0.0);
    int64_t last = job->last[room], at = here.left;
    double target = job->travel[at] + here.share * (job->travel[at + 1] - job->travel[at]) + 1.0;
    double end = job->first[room] + job->length[room];
    if (target > job->travel[last]) return time < end ? end : INFINITY;
    int64_t low = at, high = last; /* travel[low] <= target <= travel[high] */
    for (int64_t stride = 1; low + stride < last && job->travel[low + stride] <= target; stride *= 2) low += stride;
    while (high - low > 1) {
        int64_t middle = low + (high - low) / 2;
        if (job->travel[middle] <= target) low = middle;
        else high = middle;
    }
    double rise = job->travel[low + 1] - job->travel[low], share = rise > 0 ? (target - job->travel[low]) / rise : 0.0;
    double ahead = job->time[low] + share * (job->time[low + 1] - job->time[low]) - base;
    double knot = job->time[ahead >= job->time[low + 1] - base ? low + 1 : low] - base;
    return (knot > local + 1.0 ? knot : ahead) + job->first[room];
}

/* --- films into lanes and out of them --- */

static double speed_at(const Job *job, int64_t i, double t) {
    double speed = job->air_speed[i];
    for (int64_t turn = 0; turn < job->turns; turn++)
        if (job->speed_change_s[turn * job->films + i] <= t) speed = job->changed_speed[turn * job->films + i];
    return speed;
}

static void take_up_speed(const Job *job, Work *k, int l) {
    const Constants *is = job->is;
    int64_t i = k->film[l];
    double plate = least(job->side[i], is->plate_most);
    k->mass[l] = is->km_ref * sqrt(most(speed_at(job, i, k->t[l]), is->speed_floor) / plate);
    k->heat[l] = k->mass[l] * is->heat_ref;
    k->speed_change[l] = INFINITY;
    for (int64_t turn = job->turns - 1; turn >= 0; turn--) {
        double at = job->speed_change_s[turn * job->films + i];
        if (at > k->t[l]) k->speed_change[l] = least(k->speed_change[l], at);
    }
}

static void load(const Job *job, Work *k, int l, int64_t i) {
    const Constants *is = job->is;
    int64_t n = job->films;
    k->film[l] = i, k->room[l] = job->room[i], k->fresh[l] = 1, k->idle[l] = k->finished[l] = 0;
    for (int v = 0; v < 2; v++) {
        for (int64_t c = 0; c < job->cells; c++) k->u[v][c][l] = job->u[(2 * c + v) * n + i];
        k->lost[v][l] = job->lost[v * n + i];
    }
    k->solids[l] = job->solids_m[i], k->h_back[l] = job->h_back[i];
    k->ln_d0[l] = log(job->d0[i]) + is->ea / (is->r_gas * is->t_d) + 6.3;
    k->ln_g0[l] = log(job->g0[i]) + is->eg / (is->r_gas * is->t_d) + 14.0;
    k->limit_surface[l] = job->limit_surface[i], k->limit_bottom[l] = job->limit_bottom[i];
    k->mfft[l] = job->mfft[i], k->packing[l] = job->packing[i], k->fuse_s[l] = job->fuse_s[i], k->fusing[l] = job->fusing[i];
    k->t_off[l] = job->air_temp_off[i], k->rh_off[l] = job->air_rh_off[i];
    int absorbs = job->sink_m[i] > 0 && job->sink_rate[i] > 0;
    k->sink_rate[l] = absorbs ? job->sink_rate[i] : 0.0, k->per_capacity[l] = absorbs ? 1 / job->sink_m[i] : 0.0;
    k->back[l] = job->back_loss[i] * is->mw_over_r_rho;
    k->t[l] = job->t[i], k->age[l] = job->age[i], k->soaked[l] = job->soaked[i], k->step[l] = job->step[i];
    k->t_film[l] = job->t_film[i], k->failed[l] = job->failed[i], k->width[l] = job->stride[i];
    for (int c = 0; c < CONDITIONS; c++) k->since[c][l] = job->since[c * n + i], k->earlier[c][l] = job->before[c * n + i];
    for (int m = 0; m < MILESTONES; m++) k->reached[m][l] = job->reached[m * n + i];
    k->until[l] = job->until[i], k->attempts[l] = 0, k->landmark[l] = -INFINITY;
    k->keep_at[l] = job->keeps ? job->keep_at[i] : -INFINITY;
    k->next_sample[l] = job->times ? job->next_sample[i] : 0;
    k->began[l] = k->t[l], k->tau[l] = 0, k->cursor[l] = job->begin[k->room[l]];
    take_up_speed(job, k, l);
    Found at = find(job, k->room[l], k->cursor[l], k->t[l]);
    k->cursor[l] = at.left;
    k->t_air[l] = value(job->temp, at) + k->t_off[l];
    k->rh[l] = most(least(value(job->rh, at) + k->rh_off[l], 1.0), 0.0);
    k->mean_t[l] = k->t_air[l], k->mean_rh[l] = k->rh[l];
    if (isnan(k->t_film[l])) k->t_film[l] = single(k->t_air[l] - 3.0);
}

#define STORE(prefix)                                                                                                  \
    do {                                                                                                               \
        for (int v = 0; v < 2; v++) {                                                                                  \
            for (int64_t c = 0; c < job->cells; c++) job->prefix##u[(2 * c + v) * n + i] = k->u[v][c][l];              \
            job->prefix##lost[v * n + i] = k->lost[v][l];                                                              \
        }                                                                                                              \
        job->prefix##t[i] = k->t[l], job->prefix##age[i] = k->age[l], job->prefix##soaked[i] = k->soaked[l];           \
        job->prefix##step[i] = k->step[l], job->prefix##failed[i] = k->failed[l] != 0, job->prefix##stride[i] = k->width[l]; \
        for (int c = 0; c < CONDITIONS; c++)                                                                           \
            job->prefix##since[c * n + i] = k->since[c][l], job->prefix##before[c * n + i] = k->earlier[c][l];         \
        for (int m = 0; m < MILESTONES; m++) job->prefix##reached[m * n + i] = k->reached[m][l];                       \
    } while (0)

static void store(const Job *job, const Work *k, int l) {
    int64_t n = job->films, i = k->film[l];
    STORE();
    job->t_film[i] = k->t_film[l];
    if (job->keeps && isfinite(job->keep_at[i]) && !job->passed[i]) { /* finished before its moment */
        STORE(k_);
        job->k_t_film[i] = k->t_film[l], job->passed[i] = 1;
    }
}

static void keep(const Job *job, Work *k, int l) {
    int64_t n = job->films, i = k->film[l];
    STORE(k_);
    job->k_t_film[i] = k->guess[l]; /* the look at this state is then found again as it was */
    job->passed[i] = 1, k->keep_at[l] = -INFINITY;
}

/* --- monitor.py --- */

static double crossing(double start, double end, double width, double secant, double width_before) {
    double rise = end - start, curvature = 0;
    if (width_before > 0) curvature = most(least((rise - secant * width) * width / (width + width_before), rise), -rise);
    double slope = rise - curvature;
    return -2 * start / (slope + sqrt(slope * slope - 4 * curvature * start));
}

static void follow(const Job *job, Work *k, int l, const Row margin[CONDITIONS]) {
    double width = k->tau[l];
    for (int c = 0; c < CONDITIONS; c++) {
        double now = margin[c][l], was = k->margin[c][l];
        if (k->fresh[l]) { /* what holds only now begins now */
            was = now;
            if (!(k->width[l] > 0)) k->earlier[c][l] = now;
            if (now >= 0 && isinf(k->since[c][l])) k->since[c][l] = k->t[l];
        }
        if (!(now >= 0)) {
            k->since[c][l] = INFINITY;
        } else if (was < 0) {
            double secant = (was - k->earlier[c][l]) / most(k->width[l], 1e-9);
            k->since[c][l] = k->began[l] + crossing(was, now, width, secant, k->width[l]) * width;
        }
        if (width > 0) k->earlier[c][l] = was;
        k->margin[c][l] = now;
    }
    if (width > 0) k->width[l] = width;
    for (int m = 0; m < MILESTONES; m++) {
        double begun = -INFINITY;
        for (int c = 0; c < CONDITIONS; c++)
            if (job->needs[m] >> c & 1) begun = most(begun, k->since[c][l]);
        if (begun + job->is->hold_s[m] <= k->t[l] && isinf(k->reached[m][l])) k->reached[m][l] = begun;
    }
}

static void sample(const Job *job, Work *k, int l, const Row after[SAMPLED]) {
    for (int s = 0; s < SAMPLED && k->fresh[l]; s++) k->scalars[s][l] = after[s][l];
    for (; k->next_sample[l] < job->times && job->sample_at[k->next_sample[l]] <= k->t[l]; k->next_sample[l]++) {
        double at = job->sample_at[k->next_sample[l]], share = (at - k->began[l]) / most(k->t[l] - k->began[l], 1e-9);
        for (int s = 0; s < SAMPLED; s++)
            job->samples[(s * job->times + k->next_sample[l]) * job->films + k->film[l]] =
                k->scalars[s][l] + share * (after[s][l] - k->scalars[s][l]);
    }
    for (int s = 0; s < SAMPLED; s++) k->scalars[s][l] = after[s][l];
}

INLINE double open_fraction(double a0, double b0, double a1, double b1) {
    double c0 = most(least(-a0 / (a0 == b0 ? 1.0 : b0 - a0), 1.0), 0.0), c1 = most(least(-a1 / (a1 == b1 ? 1.0 : b1 - a1), 1.0), 0.0);
    double o0 = a0 >= 0 ? 0.0 : b0 >= 0 ? c0 : 1.0, o1 = a1 >= 0 ? 0.0 : b1 >= 0 ? c1 : 1.0;
    double e0 = b0 >= 0 ? 1.0 : a0 >= 0 ? c0 : 0.0, e1 = b1 >= 0 ? 1.0 : a1 >= 0 ? c1 : 0.0;
    return most(least(e0, e1) - most(o0, o1), 0.0);
}

/* _Integration._evaluate: looks at where the steps of tau have led. */
INLINE void evaluate(const Job *job, Work *k) {
    const Constants *is = job->is;
    int n = (int)job->cells;
    Row p_sat, unused, margin[CONDITIONS], after[SAMPLED];
    saturation(is, k->t_air, p_sat, unused);
    EACH {
        k->p_air[l] = k->rh[l] * p_sat[l];
        k->taken[l] = k->soaked[l] * k->solids[l];
        k->guess[l] = k->t_film[l];
    }
    rates(job, k, k->u, k->t_air, k->p_air, k->guess);
    Row packed = {0}, surface = {0}, bottom = {0}, water = {0}, glycol = {0};
    for (int c = 0; c < n; c++) EACH {
            packed[l] += job->share[c] * k->p[c][l], surface[l] += job->top_tenth[c] * k->p[c][l];
            bottom[l] += job->low_tenth[c] * k->p[c][l];
            water[l] += job->share[c] * k->u[0][c][l], glycol[l] += job->share[c] * k->u[1][c][l];
        }
    EACH {
        k->t_film[l] = job->keeps ? single(k->found_t[l]) : k->found_t[l];
        double chill = k->t_film[l] - k->t_air[l];
        margin[0][l] = packed[l] - k->packing[l];
        margin[1][l] = k->limit_surface[l] - (1 - surface[l]), margin[2][l] = k->limit_bottom[l] - (1 - bottom[l]);
        margin[3][l] = is->limit_dry - (is->rho_water / is->rho_dry * water[l] + is->rho_glycol / is->rho_dry * glycol[l]);
        double warm = k->t_film[l] - k->mfft[l], mean = job->steady ? k->t_air[l] : k->mean_t[l];
        double t_mean = k->fresh[l] ? k->t_air[l] : mean + 0.5 * (k->chill[l] + chill);
        double speed = fast_exp(-is->fuse_ea / is->r_gas * (1 / t_mean - 1 / is->t_d)) / k->fuse_s[l];
        double open = k->fresh[l] ? 0.0 : open_fraction(k->gates[0][l], margin[0][l], k->gates[1][l], warm);
        k->age[l] += k->tau[l] * open * speed;
        k->gates[0][l] = margin[0][l], k->gates[1][l] = warm, k->chill[l] = chill;
        if (job->keeps) {
            k->age[l] = single(k->age[l]);
            for (int c = 0; c < 4; c++) margin[c][l] = single(margin[c][l]);
        }
        margin[4][l] = k->age[l] - k->fusing[l], margin[5][l] = k->age[l] - is->fused;
        double liquid = water[l] + glycol[l];
        after[0][l] = liquid / (1 + liquid), after[1][l] = k->limit_surface[l] - margin[1][l];
        after[2][l] = k->limit_bottom[l] - margin[2][l], after[3][l] = k->t_film[l], after[4][l] = k->rate[l];
    }
    for (int l = 0; l < LANES; l++) {
        if (k->idle[l] || k->finished[l]) continue;
        follow(job, k, l, margin);
        if (job->times) sample(job, k, l, after);
        k->fresh[l] = 0;
        int ready = job->stop_when_ready && k->next_sample[l] >= job->times;
        for (int m = 0; m < MILESTONES && ready; m++) ready = isfinite(k->reached[m][l]) != 0;
        if (!ready && k->t[l] < k->until[l]) continue;
        k->finished[l] = 1, k->until[l] = k->t[l];
        store(job, k, l);
    }
}

/* How far each lane steps, and the air on the way. */
INLINE void aim(const Job *job, Work *k, Row aims) {
    const Constants *is = job->is;
    EACH {
        double excess = (is->limit_dry - k->margin[3][l]) * (is->rho_dry / is->rho_water) - (1 / k->packing[l] - 1);
        double leaving = k->loss[0][l] + k->loss[1][l] + (k->drains ? k->out[0][l] + k->out[1][l] : 0.0);
        double packing = excess * k->solids[l] / most(leaving, 1e-14);
        double rise = (k->margin[1][l] - k->earlier[1][l]) / most(k->width[l], 1e-9);
        double surface = most(k->limit_surface[l] - k->margin[1][l], 0.02) / most(rise, 1e-14);
        double reach = least(excess > 0.02 ? is->reach * packing : INFINITY, is->surface_reach * surface);
        double free = 1 - k->taken[l] * k->per_capacity[l];
        double pace = k->sink_rate[l] * k->per_capacity[l] * (free > is->full ? 1.0 : 0.0) * most(1 - k->p[0][l], 1e-6);
        reach = pace > 0 ? least(reach, is->sink_reach / pace) : reach;
        aims[l] = most(least(k->step[l], reach), is->step_min);
    }
    for (int l = 0; l < LANES; l++) {
        if (k->finished[l] || k->idle[l]) {
            k->tau[l] = 0;
            continue;
        }
        Found here = {0};
        double end = least(k->until[l], k->speed_change[l]);
        if (!job->steady) {
            here = find(job, k->room[l], k->cursor[l], k->t[l]);
            k->cursor[l] = here.left;
            end = least(end, next_change(job, k->room[l], here, k->t[l]));
        }
        k->end_t[l] = end; /* held for arrival, below */
        double tau = k->tau[l] = least(aims[l], end - k->t[l]);
        if (job->keeps && isfinite(k->keep_at[l]) && k->t[l] + tau > k->keep_at[l]) keep(job, k, l);
    }
}

static void air_over(const Job *job, Work *k, int l, double *mean_t, double *mean_rh, double *end_t, double *end_rh) {
    double tau = k->tau[l];
    Found here = find(job, k->room[l], k->cursor[l], k->t[l]), there = find(job, k->room[l], here.left, k->t[l] + tau);
    double t0 = value(job->temp, here), t1 = value(job->temp, there), rh0 = value(job->rh, here), rh1 = value(job->rh, there);
    *mean_t = tau > 1.0 ? (area(job->temp_area, job->temp, t1, there) - area(job->temp_area, job->temp, t0, here)) / tau : t0;
    *mean_rh = tau > 1.0 ? (area(job->rh_area, job->rh, rh1, there) - area(job->rh_area, job->rh, rh0, here)) / tau : rh0;
    *mean_t += k->t_off[l], *mean_rh = most(least(*mean_rh + k->rh_off[l], 1.0), 0.0);
    *end_t = t1 + k->t_off[l], *end_rh = most(least(rh1 + k->rh_off[l], 1.0), 0.0);
}

/* One step of every lane; a lane that fails its tolerance stays where it is, one that is done takes the next film. */
INLINE void advance(Job *job, Work *k) {
    const Constants *is = job->is;
    int n = (int)job->cells;
    double gamma = is->gamma;
    Row aims, ends, shift, next_t, next_rh, ahead_t, ahead_p, unused;
    aim(job, k, aims);
    EACH ends[l] = k->end_t[l], shift[l] = gamma * k->tau[l], ahead_t[l] = k->t_air[l], ahead_p[l] = k->p_air[l];
    EACH next_t[l] = k->t_air[l], next_rh[l] = k->rh[l];
    if (!job->steady) {
        Row ahead_rh;
        for (int l = 0; l < LANES; l++) {
            if (!(k->tau[l] > 0)) {
                k->mean_t[l] = k->t_air[l], k->mean_rh[l] = k->rh[l];
                continue;
            }
            air_over(job, k, l, &k->mean_t[l], &k->mean_rh[l], &next_t[l], &next_rh[l]);
        }
        EACH {
            ahead_t[l] = k->t_air[l] + 2 * gamma * (k->mean_t[l] - k->t_air[l]);
            ahead_rh[l] = k->rh[l] + 2 * gamma * (k->mean_rh[l] - k->rh[l]);
        }
        saturation(is, ahead_t, ahead_p, unused);
        EACH ahead_p[l] *= ahead_rh[l];
    }
    factor(job, k, shift);
    for (int i = 0; i < 2; i++)
        for (int c = 0; c < n; c++) EACH k->k1[i][c][l] = k->change[i][c][l];
    solve(k, n, k->k1);
    Row out1[2], below1[2], below_slope[2], loss0[2], slope[2][2];
    EACH for (int i = 0; i < 2; i++) {
        loss0[i][l] = k->loss[i][l], slope[i][0][l] = k->slope[i][0][l], slope[i][1][l] = k->slope[i][1][l];
        out1[i][l] = loss0[i][l] + shift[l] * (slope[i][0][l] * k->k1[0][n - 1][l] + slope[i][1][l] * k->k1[1][n - 1][l]);
    }
    if (k->drains) {
        EACH for (int v = 0; v < 2; v++) {
            below_slope[v][l] = k->out_slope[v][l];
            below1[v][l] = k->out[v][l] + shift[l] * (below_slope[v][l] * k->k1[0][0][l]);
        }
        EACH k->taken[l] += shift[l] * below1[0][l];
    }
    for (int i = 0; i < 2; i++)
        for (int c = 0; c < n; c++) EACH k->between[i][c][l] = most(k->u[i][c][l] + shift[l] * k->k1[i][c][l], 0.0);
    rates(job, k, k->between, ahead_t, ahead_p, k->t_film);
    for (int i = 0; i < 2; i++)
        for (int c = 0; c < n; c++) EACH k->k2[i][c][l] = k->change[i][c][l] - 2 * gamma * k->k1[i][c][l];
    solve(k, n, k->k2);
    Row found = {0}, lost[2], below[2] = {{0}, {0}};
    EACH {
        double tau = k->tau[l];
        for (int i = 0; i < 2; i++) { /* the loss is one more unknown of the same scheme, which makes the balance exact */
            double out2 = k->loss[i][l] - 2 * gamma * out1[i][l] +
                          shift[l] * (slope[i][0][l] * k->k2[0][n - 1][l] + slope[i][1][l] * k->k2[1][n - 1][l]);
            lost[i][l] = tau * (gamma * out1[i][l] + (2 - gamma) * out2) / k->solids[l];
        }
        if (k->drains)
            for (int v = 0; v < 2; v++) {
                double out2 = k->out[v][l] + shift[l] * (below_slope[v][l] * k->k2[0][0][l]) - 2 * gamma * below1[v][l];
                below[v][l] = tau * (gamma * below1[v][l] + (2 - gamma) * out2) / k->solids[l];
            }
    }
    double floor = is->atol / is->rtol;
    for (int i = 0; i < 2; i++) {
        Row sum = {0};
        for (int c = 0; c < n; c++) {
            double heavy = k->weight[c] / (is->rtol * is->rtol);
            EACH {
                double first = k->tau[l] * k->k1[i][c][l];
                double second = gamma * first + (2 - gamma) * k->tau[l] * k->k2[i][c][l];
                double wrong = (second - first) / (k->u[i][c][l] + floor);
                sum[l] += heavy * wrong * wrong;
                k->k2[i][c][l] = k->u[i][c][l] + second; /* where the step leads */
            }
        }
        EACH found[l] = sum[l] >= 0 ? most(found[l], sum[l]) : INFINITY;
    }
    Row ok;
    EACH {
        double tau = k->tau[l], wrong = sqrt(found[l]), failed = k->failed[l];
        ok[l] = wrong <= (failed != 0 ? is->at_corner : 1.0) || (tau <= is->step_min && wrong < INFINITY) ? 1.0 : 0.0;
        double limit = ok[l] != 0 ? (failed != 0 ? 1.0 : is->grow_most) : (failed != 0 ? is->shrink_again : is->shrink_least);
        double proposal = tau * most(least(is->safety / sqrt(most(wrong, 1e-8)), limit), is->shrink_most);
        proposal = ok[l] != 0 && tau < aims[l] ? most(proposal, aims[l]) : proposal;
        k->step[l] = most(least(proposal, is->step_max), is->step_min);
        k->failed[l] = ok[l] != 0 ? 0.0 : 1.0;
        k->began[l] = k->t[l];
        tau = k->tau[l] = ok[l] != 0 ? tau : 0.0;
        k->t[l] = ok[l] != 0 && tau >= ends[l] - k->began[l] ? ends[l] : k->began[l] + tau;
    }
    for (int i = 0; i < 2; i++)
        for (int c = 0; c < n; c++) EACH { /* a volatile that is gone stays gone; its undershoot is booked as not lost */
                double to = k->k2[i][c][l];
                lost[i][l] += job->share[c] * least(to, 0.0);
                k->u[i][c][l] = ok[l] != 0 ? most(to, 0.0) : k->u[i][c][l];
            }
    EACH {
        lost[0][l] += below[0][l] + below[1][l];
        k->soaked[l] += ok[l] != 0 ? below[0][l] : 0.0;
        for (int i = 0; i < 2; i++) k->lost[i][l] += ok[l] != 0 ? lost[i][l] : 0.0;
        if (!job->steady) {
            k->t_air[l] = ok[l] != 0 ? next_t[l] : k->t_air[l], k->rh[l] = ok[l] != 0 ? next_rh[l] : k->rh[l];
            k->mean_t[l] = ok[l] != 0 ? k->mean_t[l] : k->t_air[l];
        }
    }
    if (job->keeps) {
        for (int i = 0; i < 2; i++)
            for (int c = 0; c < n; c++) EACH k->u[i][c][l] = single(k->u[i][c][l]);
        EACH {
            k->lost[0][l] = single(k->lost[0][l]), k->lost[1][l] = single(k->lost[1][l]);
            k->soaked[l] = single(k->soaked[l]), k->step[l] = single(k->step[l]);
        }
    }
    for (int l = 0; l < LANES; l++) {
        if (k->idle[l]) continue;
        if (k->finished[l]) {
            int64_t next = take(job);
            if (next >= 0) load(job, k, l, next);
            else k->idle[l] = 1;
            continue;
        }
        if (k->t[l] >= k->landmark[l]) {
            k->attempts[l] = 0, k->landmark[l] = k->t[l] + most(is->progress_s, is->progress * fabs(k->t[l]));
        } else if (++k->attempts[l] > is->attempts) {
            k->finished[l] = 1;
            store(job, k, l);
            if (k->stuck < 0 || k->film[l] < k->stuck) k->stuck = k->film[l];
        }
        if (k->t[l] >= k->speed_change[l]) take_up_speed(job, k, l);
    }
}

/* How many processors this process may use. */
PUBLIC int cores(void) {
#if defined(__linux__)
    cpu_set_t these;
    return sched_getaffinity(0, sizeof these, &these) ? 1 : CPU_COUNT(&these);
#elif defined(__unix__) || defined(__APPLE__)
    return (int)sysconf(_SC_NPROCESSORS_ONLN);
#else
    return 1;
#endif
}

/* Integrates films of the job until none waits. -1: they are done; -2: no memory; -3: more cells than it holds; else the
 * first of its films that made no progress. */
BY_MACHINE PUBLIC int64_t integrate(Job *job) {
    if (job->cells > MOST_CELLS || job->cells < 2) return -3;
    Work *k = calloc(1, sizeof *k);
    if (!k) return -2;
    int n = (int)job->cells;
    double sum = 0;
    for (int c = 0; c < n; c++) sum += k->weight[c] = sqrt(job->share[c]);
    for (int c = 0; c < n; c++) k->weight[c] /= sum;
    for (int64_t j = 0; j < job->to; j++) {
        int64_t i = job->order[j];
        k->drains |= job->back_loss[i] > 0 || (job->sink_m[i] > 0 && job->sink_rate[i] > 0);
    }
    k->stuck = -1;
    int64_t next = take(job), company = next;
    for (int l = 0; l < LANES && company >= 0; l++) {
        load(job, k, l, next >= 0 ? next : company); /* company for the others */
        k->idle[l] = next < 0;
        if (next >= 0 && l < LANES - 1) next = take(job);
    }
    for (int busy = company >= 0; busy;) {
        evaluate(job, k);
        busy = 0;
        for (int l = 0; l < LANES; l++) busy |= !k->idle[l];
        if (busy) advance(job, k);
    }
    int64_t stuck = k->stuck;
    free(k);
    return stuck;
}
