# Time mice on the rows that bench_imputation.py writes: run `Rscript timing.R FOLDER` (numbers.csv and mixed.csv there).
# Twenty imputations of five cycles; pmm for numbers, logreg for yes/no, polyreg for levels. Median of five runs.
suppressMessages(library(mice))
folder <- commandArgs(TRUE)[1]
for (what in c("numbers", "mixed")) {
  d <- read.csv(file.path(folder, paste0(what, ".csv")))
  for (name in names(d)) {
    distinct <- length(unique(na.omit(d[[name]])))
    if (anyNA(d[[name]]) && distinct <= 4) d[[name]] <- factor(d[[name]])
  }
  methods <- sapply(d, function(x) if (!anyNA(x)) "" else if (!is.factor(x)) "pmm" else if (nlevels(x) == 2) "logreg" else "polyreg")
  times <- sapply(1:5, function(i) {
    t <- system.time(imp <<- mice(d, m = 20, maxit = 5, seed = i, method = methods, printFlag = FALSE))
    c(t[["elapsed"]], t[["user.self"]] + t[["sys.self"]])
  })
  middle <- apply(times, 1, median)
  means <- rowMeans(sapply(1:20, function(i) {
    colMeans(sapply(complete(imp, i)[c("u", "v", "w", "x", "y", "z")], function(x) as.numeric(as.character(x))))
  }))
  cat(sprintf("%s: %.3f s elapsed, %.3f s of processor; means %s\n", what, middle[1], middle[2],
              paste(sprintf("%s %.3f", names(means), means), collapse = ", ")))
}
cat(R.version.string, "mice", as.character(packageVersion("mice")), "\n")
