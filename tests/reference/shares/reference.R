# Shares of explained variation by brute force: every order of entry, every model fitted by lm().
# Base R only. Run from this folder: Rscript reference.R > reference.json
swiss <- datasets::swiss
swiss$belt <- cut(swiss$Catholic, c(-1, 10, 50, 90, 101), labels = c("a", "b", "c", "d"))
permutations <- function(v) {
  if (length(v) < 2) return(list(v))
  out <- list()
  for (i in seq_along(v)) for (rest in permutations(v[-i])) out <- c(out, list(c(v[i], rest)))
  out
}
r2 <- function(terms, w) {
  if (length(terms) == 0) return(0)
  form <- as.formula(paste("Fertility ~", paste(terms, collapse = " + ")))
  summary(lm(form, data = swiss, weights = w))$r.squared
}
shares <- function(groups, w) {
  swiss$w <<- w
  total <- setNames(numeric(length(groups)), names(groups))
  orders <- permutations(names(groups))
  for (o in orders) for (i in seq_along(o)) {
    before <- unlist(groups[o[seq_len(i - 1)]])
    total[o[i]] <- total[o[i]] + r2(c(before, groups[[o[i]]]), w) - r2(before, w)
  }
  all <- unlist(groups)
  last <- sapply(names(groups), function(g) r2(all, w) - r2(unlist(groups[names(groups) != g]), w))
  first <- sapply(names(groups), function(g) r2(groups[[g]], w))
  list(share = total / length(orders), first = first, last = last, r2 = r2(all, w))
}
groups <- list(farming = "Agriculture", schooling = c("Examination", "Education"), belt = "belt",
               infants = "Infant.Mortality")
show <- function(x) paste0("{", paste0('"', names(x), '": ', sprintf("%.15g", x), collapse = ", "), "}")
case <- function(name, s) sprintf('  "%s": {"share": %s, "first": %s, "last": %s, "r2": %.15g}', name,
                                  show(s$share), show(s$first), show(s$last), s$r2)
cat("{\n", sprintf('  "version": "%s",\n', R.version.string),
    case("groups", shares(groups, rep(1, 47))), ",\n",
    case("weighted", shares(groups, rep(c(1, 2, 3, 1), length.out = 47))), "\n}\n", sep = "")
