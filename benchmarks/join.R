# data.table's rolling join of the tables that join.py wrote, with its time and peak memory.
suppressPackageStartupMessages(library(data.table))
folder <- commandArgs(trailingOnly = TRUE)[1]
moves <- fread(file.path(folder, "moves.csv"))
trials <- fread(file.path(folder, "trials.csv"))
peak_gb <- function() {
  line <- grep("^VmHWM", readLines("/proc/self/status"), value = TRUE)
  as.numeric(gsub("[^0-9]", "", line)) * 1024 / 1e9
}
tables <- peak_gb()
begin <- proc.time()
setkey(moves, source_id, at)
joined <- moves[trials, on = .(source_id, at), roll = TRUE]
took <- proc.time() - begin
cat(sprintf(
  '{"seconds": %f, "busy": %f, "tables_gb": %f, "peak_gb": %f, "rows": %d, "version": "%s"}\n',
  took[["elapsed"]], took[["user.self"]] + took[["sys.self"]], tables, peak_gb(), nrow(joined),
  paste0("R ", getRversion(), ", data.table ", packageVersion("data.table"))
))
