"""Weights of discordant pairs in a layout of runs, by merge sort: see `concordance` for what a layout is."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled

SHORT_RUN = 24  # up to here a run is sorted by insertion


@compiled
def _sort_run(score, item, start, stop):
    """Sort one run by score, in place."""
    if stop - start <= SHORT_RUN:
        for k in range(start + 1, stop):
            s, t = score[k], item[k]
            j = k - 1
            while j >= start and score[j] > s:
                score[j + 1], item[j + 1] = score[j], item[j]
                j -= 1
            score[j + 1], item[j + 1] = s, t
    else:
        order = np.argsort(score[start:stop])
        score[start:stop] = score[start:stop][order]
        item[start:stop] = item[start:stop][order]


@compiled
def _gather(row, run, first_run, last_run, column, score, item, bound):
    """Copy the items with a score into the buffers, sorted within runs; `bound` gets the run limits."""
    filled, runs = 0, 0
    bound[0] = 0
    for r in range(first_run, last_run):
        begin = filled
        for k in range(run[r], run[r + 1]):
            s = column[row[k]]
            if not np.isnan(s):
                score[filled], item[filled] = s, k
                filled += 1
        if filled > begin:
            _sort_run(score, item, begin, filled)
            runs += 1
            bound[runs] = filled
    return runs


@compiled
def discordant(row, leads, follows, run, block, columns, weights):
    """Pair weight with the lower score leading, plus half the ties: (m, v) of (m, n) and weights (n, v)."""
    m, v = columns.shape[0], weights.shape[1]
    size = row.size
    ahead, behind = np.empty((v, size)), np.empty((v, size))
    for k in range(size):
        for u in range(v):
            ahead[u, k] = weights[row[k], u] if leads[k] else 0.0
            behind[u, k] = weights[row[k], u] if follows[k] else 0.0
    total = np.zeros((m, v))
    score, item = np.empty(size), np.empty(size, dtype=np.int64)
    spare_score, spare_item = np.empty(size), np.empty(size, dtype=np.int64)
    bound = np.empty(run.size, dtype=np.int64)
    single = np.zeros(size)
    for c in range(m):
        for b in range(block.size - 1):
            runs = _gather(row, run, block[b], block[b + 1], columns[c], score, item, bound)
            for u in range(0, v, 2):
                # two weight vectors at a time keep their running sums in registers
                pair = u + 1 < v
                a0, f0 = ahead[u], behind[u]
                a1, f1 = (ahead[u + 1], behind[u + 1]) if pair else (single, single)
                if u + 2 < v:
                    t0, t1 = _merge_all(
                        score.copy(), item.copy(), spare_score, spare_item, bound.copy(), runs, a0, f0, a1, f1
                    )
                else:
                    t0, t1 = _merge_all(score, item, spare_score, spare_item, bound, runs, a0, f0, a1, f1)
                total[c, u] += t0
                if pair:
                    total[c, u + 1] += t1
    return total


@compiled
def _merge_all(score, item, spare_score, spare_item, bound, runs, a0, f0, a1, f1):
    """Merge neighbouring blocks until one is left, counting discordant pair weight in each merge."""
    total0, total1 = 0.0, 0.0
    while runs > 1:
        made = 0
        for r in range(0, runs, 2):
            start = bound[r]
            if r + 1 == runs:
                stop = bound[r + 1]
                for k in range(start, stop):
                    spare_score[k], spare_item[k] = score[k], item[k]
            else:
                middle, stop = bound[r + 1], bound[r + 2]
                left, out = start, start
                lower0, upto0, lower1, upto1 = 0.0, 0.0, 0.0, 0.0
                for q in range(middle, stop):
                    s, t = score[q], item[q]
                    if q > middle and s > score[q - 1]:
                        lower0, lower1 = upto0, upto1
                    while left < middle and score[left] < s:
                        k = item[left]
                        upto0 += a0[k]
                        upto1 += a1[k]
                        lower0, lower1 = upto0, upto1
                        spare_score[out], spare_item[out] = score[left], k
                        left += 1
                        out += 1
                    while left < middle and score[left] == s:
                        k = item[left]
                        upto0 += a0[k]
                        upto1 += a1[k]
                        spare_score[out], spare_item[out] = score[left], k
                        left += 1
                        out += 1
                    total0 += f0[t] * (lower0 + upto0)
                    total1 += f1[t] * (lower1 + upto1)
                    spare_score[out], spare_item[out] = s, t
                    out += 1
                while left < middle:
                    spare_score[out], spare_item[out] = score[left], item[left]
                    left += 1
                    out += 1
            made += 1
            bound[made] = stop
        score, spare_score = spare_score, score
        item, spare_item = spare_item, item
        runs = made
    return 0.5 * total0, 0.5 * total1


@compiled
def discordant_by_row(row, leads, follows, run, block, columns, weights):
    """As `_discordant` for one weight vector, and the derivative by each row's weight: (m,), (m, n)."""
    m, n = columns.shape
    size = row.size
    total, mine = np.zeros(m), np.zeros((m, n))
    score, item = np.empty(size), np.empty(size, dtype=np.int64)
    spare_score, spare_item = np.empty(size), np.empty(size, dtype=np.int64)
    bound = np.empty(run.size, dtype=np.int64)
    for c in range(m):
        for b in range(block.size - 1):
            runs = _gather(row, run, block[b], block[b + 1], columns[c], score, item, bound)
            while runs > 1:
                made = 0
                for r in range(0, runs, 2):
                    start = bound[r]
                    stop = bound[r + 2] if r + 1 < runs else bound[r + 1]
                    if r + 1 < runs:
                        total[c] += _count_rows(
                            score, item, start, bound[r + 1], stop, row, leads, follows, weights, mine[c]
                        )
                        _merge_two(score, item, start, bound[r + 1], stop, spare_score, spare_item)
                        for k in range(start, stop):
                            score[k], item[k] = spare_score[k], spare_item[k]
                    made += 1
                    bound[made] = stop
                runs = made
    return total, mine


@compiled
def _merge_two(score, item, start, middle, stop, spare_score, spare_item):
    left, right = start, middle
    for out in range(start, stop):
        if right >= stop or (left < middle and score[left] <= score[right]):
            spare_score[out], spare_item[out] = score[left], item[left]
            left += 1
        else:
            spare_score[out], spare_item[out] = score[right], item[right]
            right += 1


@compiled
def _count_rows(score, item, start, middle, stop, row, leads, follows, weights, mine):
    total = 0.0
    left, lower, upto = start, 0.0, 0.0
    for q in range(middle, stop):
        if q > middle and score[q] > score[q - 1]:
            lower = upto
        while left < middle and score[left] <= score[q]:
            if leads[item[left]]:
                upto += weights[row[item[left]]]
            if score[left] < score[q]:
                lower = upto
            left += 1
        if follows[item[q]]:
            partners = 0.5 * (lower + upto)
            mine[row[item[q]]] += partners
            total += weights[row[item[q]]] * partners
    right, higher, from_here = stop - 1, 0.0, 0.0
    for p in range(middle - 1, start - 1, -1):
        if p < middle - 1 and score[p] < score[p + 1]:
            higher = from_here
        while right >= middle and score[right] >= score[p]:
            if follows[item[right]]:
                from_here += weights[row[item[right]]]
            if score[right] > score[p]:
                higher = from_here
            right -= 1
        if leads[item[p]]:
            mine[row[item[p]]] += 0.5 * (higher + from_here)
    return total
