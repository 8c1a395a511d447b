#!/bin/sh
# A rehearsal of 400 shifts in 8 parts, as a Slurm array: sbatch slurm-array.sh
# When all are done:
#   understudy report part-*.json --html hall.html --pdf hall.pdf
#SBATCH --job-name=rehearse-hall
#SBATCH --array=1-8
#SBATCH --cpus-per-task=2
#SBATCH --mem=256M
#SBATCH --time=00:10:00
K=$SLURM_ARRAY_TASK_ID
exec understudy rehearse hall --shifts 400 --shard "$K/$SLURM_ARRAY_TASK_MAX" --json "part-$K.json"
